"""What is put in and taken out at each hydrant, an analyst's choice in place of the computed one. Pure."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from gradecheck.assessment import Assessment
from gradecheck.choices import Choices
from gradecheck.decision import Action, Decision, right_choices
from gradecheck.order import Work, named, takes
from gradecheck.probability import Ints
from gradecheck.reasons import choice_text
from gradecheck.units import Length, imperial, show
from gradecheck.worksheets.words import height


@dataclass(frozen=True, slots=True)
class Pick:
    """One hydrant's choices: `which` of its `options`, the likeliest first; two where it is set on site, else one.

    Empty where nothing is chosen.
    """

    options: Choices | None = None
    which: tuple[int, ...] = ()

    @property
    def rises(self) -> tuple[float, ...]:
        """Metres that each choice raises the flange."""
        return () if self.options is None else tuple(float(self.options.rise[k]) for k in self.which)


@dataclass(frozen=True, slots=True)
class Part:
    """So many of one thing to take from the store.

    number: the catalogue's, empty where it has none. length: metres of an extension, None for what goes with it.
    """

    quantity: int
    name: str
    number: str
    family: str
    length: float | None


def picks(a: Assessment) -> list[Pick]:
    """(H,) what is done at each hydrant once the review is taken in."""
    d = a.counted.decision
    out = [
        Pick(d.tables[t], (b,)) if b >= 0 else Pick() for t, b in zip(d.table.tolist(), d.best.tolist(), strict=True)
    ]
    site = d.action == Action.on_site
    asked = np.flatnonzero(site & (a.counted.reviewed | (d.best < 0)))
    for row in np.flatnonzero(site & ~a.counted.reviewed & (d.best >= 0)).tolist():
        both = tuple(k for k in (int(d.best[row]), int(d.second[row])) if k >= 0)
        out[row] = Pick(d.tables[int(d.table[row])], both)
    for row, pick in _likeliest(a, asked.astype(np.int64)).items():
        out[row] = pick
    return out


def _likeliest(a: Assessment, rows: Ints) -> dict[int, Pick]:
    """The two choices most likely right where a reviewer says that it is set on site."""
    found = {}
    for right in right_choices(a.cases, a.inputs.plan.policy, rows) if len(rows) else ():
        for row, chance in zip(right.rows.tolist(), right.chance, strict=True):
            order = np.argsort(-chance, kind="stable")[:2]
            found[row] = Pick(right.options, tuple(k for k in order.tolist() if chance[k] > 1e-6))
    return found


def parts(a: Assessment, work: Work, row: int, pick: Pick) -> tuple[Part, ...]:
    """What to take from the store: of several choices the larger number of each, so that any of them can be set."""
    if pick.options is None or not pick.which:
        return ()
    family = int(a.inputs.family[row])
    name, known = a.inputs.families[family]
    items = a.inputs.catalog.items(name) if known else ()
    found = []
    for thing, each in takes(pick.options, items).items():
        count = max(int(each[k]) for k in pick.which)
        if count:
            said = named(work, a.inputs.catalog, a.cases.lengths, family, thing)
            length = said["length"]
            metres = length if isinstance(length, float) else None
            text = str(said["item"]) if metres is None else _length(a, name, metres, known)
            found.append(Part(count, text, str(said["part_number"] or ""), name, metres))
    return tuple(found)


def _length(a: Assessment, family: str, length: float, known: bool) -> str:
    """An extension as the catalogue writes its length."""
    if known:
        for part in a.inputs.catalog.extensions(family):
            if abs(part.length.metres - length) < 1e-6:
                return f"extension {part.length}"
    return f"extension {show(length, a.inputs.plan.output.unit, 3)}"


def small(unit: str) -> str:
    """The unit that a rule shows: inches with feet, else millimetres."""
    return "in" if imperial(unit) else "mm"


def said(pick: Pick, unit: str) -> tuple[str, ...]:
    """Each choice in words: "add 12 in", "nothing"."""
    if pick.options is None:
        return ()
    return tuple(choice_text(pick.options, k, unit) for k in pick.which)


def site_rule(pick: Pick, window: tuple[float, float], target: float, unit: str) -> tuple[str, ...]:
    """Which of two choices to set, by the flange height above the staked grade with nothing done yet.

    window: metres, lowest and highest clearance that dressing can bring inside; target: metres. The choice that ends
    nearest to the target wins, as in `decision.right_choices`, unless it ends outside the window.
    """
    if pick.options is None or not pick.which:
        return ()
    low, high = window
    words = dict(zip(pick.rises, said(pick, unit), strict=True))
    rises = sorted(words, reverse=True)
    spans = [[low - r, high - r] for r in rises]
    if len(rises) == 2 and spans[1][0] <= spans[0][1]:
        aim = min(max(target, low), high)
        meet = min(max(aim - (rises[0] + rises[1]) / 2, spans[1][0]), spans[0][1])
        spans[0][1] = spans[1][0] = meet
    inches = unit == "in"
    lines = [f"{height(s[0], inches)} to {height(s[1], inches)}: {words[r]}" for s, r in zip(spans, rises, strict=True)]
    return (*lines, "anything else: stop and call the engineer")


def fitted_words(length: float, unit: str) -> str:
    """What is known to be fitted already; NaN unknown."""
    if length != length:
        return "not known: look first"
    return "none" if length == 0 else show(length, unit, 2)


def window_of(d: Decision, row: int, dressing: Length) -> tuple[float, float]:
    """Metres: the lowest and the highest clearance that dressing can bring inside the owner's window."""
    return float(d.window.low[row]) - dressing.metres, float(d.window.high[row]) + dressing.metres


def total(found: Sequence[Part]) -> tuple[Part, ...]:
    """Equal parts added up; by family, lengths first and rising, then what goes with them."""
    counts: Counter[Part] = Counter()
    for part in found:
        counts[replace(part, quantity=0)] += part.quantity
    summed = (replace(part, quantity=n) for part, n in counts.items())
    return tuple(sorted(summed, key=lambda p: (p.family, p.length is None, p.length or 0.0, p.name, p.number)))
