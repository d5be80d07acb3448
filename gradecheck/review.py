"""The analyst's edits of a layer: carried to a new run, counted in the order, none lost, none believed blindly. Pure.

An edit says what shall be done at one hydrant instead of what was computed. It belongs to the hydrant, not to a
row: a new run finds it again by id, or by place where the id was made up.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from scipy.spatial import cKDTree

from gradecheck.cases import Cases, window_miss
from gradecheck.choices import Choices, choices
from gradecheck.decision import DECIDED, OPEN, Action, Decision, rechosen
from gradecheck.policy import Policy
from gradecheck.probability import Bools, Floats, Ints
from gradecheck.units import show
from gradecheck.validation import nearest

SAME_PLACE = 0.1
"""Metres within which a hydrant whose id was made up is the same one again."""
_SAME_LENGTH = 5e-4
"""Metres: people round lengths to what a ruler shows."""
_NO_CHOICE = tuple(a for a in Action if a not in DECIDED and a not in OPEN)
ALSO_CALLED = {"set_on_site": "on_site", "measure_first": "measure", "outside_the_plan": "outside"}
"""Actions as the map and the report label them."""


@dataclass(frozen=True, slots=True)
class Edit:
    """What an analyst wrote at one hydrant, and what the run said there when it was written.

    own_id: the id is the layer's own and stands there once. x, y: its place, NaN unknown; working units of the
    caller. extension: metres, NaN for none. computed: the action and the new length (metres) of the run.
    """

    hydrant_id: str
    own_id: bool
    x: float
    y: float
    action: str | None
    extension: float
    note: str | None
    computed: tuple[str, float]


@dataclass(frozen=True, slots=True)
class Review:
    """Edits laid beside H hydrants.

    at: hydrant by hydrant its edit, None for most. kept: edits of hydrants that are no longer there.
    """

    at: tuple[Edit | None, ...]
    kept: tuple[Edit, ...] = ()

    @classmethod
    def none(cls, n: int) -> Review:
        """Nobody reviewed anything."""
        return cls((None,) * n)

    @property
    def rows(self) -> Ints:
        """Hydrants that carry an edit."""
        return np.array([i for i, edit in enumerate(self.at) if edit is not None], dtype=np.int64)


def carried(edits: Sequence[Edit], ids: Sequence[str], own_id: Bools, x: Floats, y: Floats, metre: float) -> Review:
    """Edits beside the hydrants of a new run.

    ids, own_id, x, y: (H,) of the new run, in the units of the edits' places; metre: how many of those are one.
    """
    at: list[Edit | None] = [None] * len(ids)
    kept: list[Edit] = []
    by_id = {name: i for i, (name, own) in enumerate(zip(ids, own_id.tolist(), strict=True)) if own}
    tree = cKDTree(np.stack([x, y], axis=1)) if len(ids) else None
    for edit in edits:
        row = by_id.get(edit.hydrant_id) if edit.own_id else None
        if row is None and not (edit.own_id and edit.hydrant_id in by_id) and tree is not None:
            row = _at_place(edit, ids, own_id, tree, metre)
        if row is None or at[row] is not None:
            kept.append(edit)
        else:
            at[row] = replace(edit, hydrant_id=ids[row], own_id=bool(own_id[row]), x=float(x[row]), y=float(y[row]))
    return Review(tuple(at), tuple(kept))


def _at_place(edit: Edit, ids: Sequence[str], own_id: Bools, tree: cKDTree, metre: float) -> int | None:
    """The hydrant at the place of an edit: one whose id was made up too, or tells apart the same repeated id."""
    if edit.own_id or not np.isfinite([edit.x, edit.y]).all():
        return None
    near = sorted(tree.query_ball_point([edit.x, edit.y], SAME_PLACE * metre))
    base = edit.hydrant_id.partition("#")[0]
    alike = [i for i in near if not own_id[i] and ("#" not in edit.hydrant_id or ids[i].partition("#")[0] == base)]
    return alike[0] if len(alike) == 1 else next((i for i in alike if ids[i] == edit.hydrant_id), None)


def changed(review: Review, decision: Decision, unit: str) -> list[str | None]:
    """(H,) in words, what the run computes otherwise than when a hydrant was reviewed; None where nothing."""
    out: list[str | None] = [None] * len(review.at)
    for row in review.rows.tolist():
        edit = review.at[row]
        if edit is not None:
            now = Action(int(decision.action[row])).name, float(decision.new[row])
            if now[0] != edit.computed[0] or abs(_zero(now[1]) - _zero(edit.computed[1])) > _SAME_LENGTH:
                was = _said(edit.computed[0], edit.computed[1], unit)
                out[row] = f"computed was {was}, is now {_said(now[0], now[1], unit)}"
    return out


def changed_text(found: Sequence[str | None], ids: Sequence[str]) -> list[str]:
    """A warning of reviewed hydrants that are computed otherwise than when they were reviewed; none where none is."""
    names = [name for name, text in zip(ids, found, strict=True) if text is not None]
    if not names:
        return []
    shown = ", ".join(names[:5]) + (" ..." if len(names) > 5 else "")
    who = "1 reviewed hydrant is" if len(names) == 1 else f"{len(names)} reviewed hydrants are"
    return [f"review: {who} computed otherwise than when reviewed ({shown}): look at review_changed"]


def _zero(length: float) -> float:
    return 0.0 if length != length else length


def _said(action: str, length: float, unit: str) -> str:
    return f"{action} {show(length, unit, 3)}" if _zero(length) > 0 else action


@dataclass(frozen=True, slots=True)
class Counted:
    """What is counted once edits are taken in.

    decision: for the order: reviewed rows with the reviewed choice. reviewed: (H,) an edit of theirs counts.
    refused: in words, edits that cannot count. doubtful: edits that count, though the flange ends outside the window.
    """

    decision: Decision
    reviewed: Bools
    refused: tuple[str, ...]
    doubtful: tuple[str, ...] = ()

    def firm(self, computed: Bools) -> Bools:
        """(H,) counts in the firm quantities: what was computed firm, or what a reviewer decided."""
        return np.where(self.reviewed, np.isin(self.decision.action, DECIDED), computed)

    @property
    def told(self) -> tuple[str, ...]:
        """Both, as warnings."""
        return (*self.refused, *self.doubtful)


def counted(review: Review, cases: Cases, decision: Decision, policy: Policy, unit: str) -> Counted:
    """The decision with what the analyst chose in place of what was computed. An impossible edit counts for nothing."""
    action, table, best = decision.action.copy(), decision.table.copy(), decision.best.copy()
    reviewed = np.zeros(len(decision), dtype=bool)
    tables = list(decision.tables)
    known: dict[tuple[int, float], int] = {}
    refused: list[str] = []
    doubtful: list[str] = []
    for row in review.rows.tolist():
        edit = review.at[row]
        if edit is None or (edit.action is None and edit.extension != edit.extension):
            continue  # a note only
        options, number = _options(cases, row, policy, tables, known)
        try:
            action[row], best[row] = _choice(edit, row, options, cases, decision, policy, unit)
        except ValueError as error:
            refused.append(f"{edit.hydrant_id}: {error}; the edit is not counted")
            continue
        reviewed[row] = True
        if best[row] >= 0:
            table[row] = number
            if off := _off(row, float(options.rise[best[row]]), cases, decision, policy, unit):
                doubtful.append(f"{edit.hydrant_id}: {off}; counted all the same")
    taken = replace(decision, action=action, table=table, best=best, tables=tuple(tables))
    taken = rechosen(taken, cases, np.flatnonzero(reviewed))
    return Counted(taken, reviewed, tuple(refused), tuple(doubtful))


def _off(row: int, rise: float, cases: Cases, decision: Decision, policy: Policy, unit: str) -> str:
    """What is to be said of a reviewer's choice that ends outside the window, dressing allowed for."""
    final = float(cases.clearance_after[row]) + rise
    miss = float(window_miss(final, decision.window.low[row], decision.window.high[row]))
    if not abs(miss) > policy.dressing.metres + _SAME_LENGTH:  # NaN: nothing is known
        return ""
    stands = f"{show(abs(final), unit)} {'above' if final >= 0 else 'below'} ground"
    return f"the flange then ends {stands}, {show(abs(miss), unit)} {'above' if miss > 0 else 'below'} the window"


def _options(
    cases: Cases, row: int, policy: Policy, tables: list[Choices], known: dict[tuple[int, float], int]
) -> tuple[Choices, int]:
    """The choices of one hydrant, and where among the tables they stand."""
    family, fitted = int(cases.family[row]), float(np.round(np.nan_to_num(cases.fitted[row]), 6))
    if (family, fitted) not in known:
        longest = None if policy.max_extension is None else policy.max_extension.metres
        tables.append(choices(cases.lengths[family], fitted, policy.max_extensions, longest))
        known[family, fitted] = len(tables) - 1
    return tables[known[family, fitted]], known[family, fitted]


def _choice(
    edit: Edit, row: int, options: Choices, cases: Cases, decision: Decision, policy: Policy, unit: str
) -> tuple[int, int]:
    """The action and the choice that an edit means; raises ValueError, in words, where it means none."""
    word = (edit.action or "").strip().lower().replace(" ", "_").replace("-", "_")
    word = ALSO_CALLED.get(word, word)
    if word and word not in Action.__members__:
        raise ValueError(f"review_action {edit.action!r} is unknown ({nearest(word, Action.__members__)})")
    stated = edit.extension == edit.extension
    if stated and edit.extension < 0:
        raise ValueError(f"review_extension {show(edit.extension, unit, 3)} is below 0")
    if bool(cases.outside[row]) and (length_given(edit) or word in ("extend", "shorten")):
        raise ValueError("no job reaches it, so that no order can hold its parts: give it a job first")
    if stated and not word and edit.extension <= _SAME_LENGTH:
        raise ValueError("review_extension 0 alone may mean several things: fill in review_action, keep or shorten")
    length = edit.extension if stated else 0.0
    wanted = Action[word] if word else None
    if wanted in OPEN:
        if not np.isfinite(cases.clearance_after[row]):
            raise ValueError(f"{word} needs an elevation, and one is missing here")
        return int(wanted), -1
    if wanted in _NO_CHOICE or wanted is Action.keep:
        if length > _SAME_LENGTH:
            raise ValueError(f"{word} takes no extension, yet review_extension is {show(length, unit, 3)}")
        return int(wanted), int(np.argmin(np.abs(options.rise))) if wanted is Action.keep else -1
    if wanted is Action.extend and not stated:
        if Action(int(decision.action[row])) is not Action.extend:
            raise ValueError("extend says no length: fill in review_extension")
        length = float(decision.new[row])
    fitting = np.flatnonzero(np.abs(options.new - length) <= _SAME_LENGTH)
    if wanted is not None:
        fitting = fitting[(options.rise[fitting] > 0) if wanted is Action.extend else (options.rise[fitting] < 0)]
    if not len(fitting):
        raise ValueError(_no_choice(word, length, options, unit))
    miss = np.abs(np.nan_to_num(cases.clearance_after[row]) + options.rise[fitting] - policy.clearance_target.metres)
    best = int(fitting[np.argmin(miss)])
    rise = float(options.rise[best])
    return int(Action.extend if rise > 0 else Action.shorten if rise < 0 else Action.keep), best


def length_given(edit: Edit) -> bool:
    """Whether an edit asks for new length."""
    return edit.extension == edit.extension and edit.extension > _SAME_LENGTH


def _no_choice(word: str, length: float, options: Choices, unit: str) -> str:
    if word == "shorten" and options.fitted == 0:
        return "shorten, yet no extension is fitted"
    there = sorted({float(v) for v in options.new[options.new > 0]})
    named = ", ".join(show(v, unit, 3) for v in there[:8]) + (" ..." if len(there) > 8 else "")
    return f"no {word or 'choice'} with {show(length, unit, 3)} of new length: the catalogue gives {named}"


def settings(edits: Iterable[Edit | None]) -> dict[str, dict[str, object]]:
    """What must be remembered beside the layer, by hydrant: what was computed when each edit was written."""
    return {
        edit.hydrant_id: {"edit": as_written(edit), "computed": [edit.computed[0], _zero(edit.computed[1])]}
        for edit in edits
        if edit is not None
    }


def as_written(edit: Edit) -> list[object]:
    """An edit as it is told from another: action, metres, note."""
    length = None if edit.extension != edit.extension else round(edit.extension, 6)
    return [edit.action, length, edit.note]


def since(edit: Edit, remembered: Mapping[str, Mapping[str, object]]) -> Edit:
    """An edit read from a layer, with what was computed when it was written: now, or at a former run."""
    former = remembered.get(edit.hydrant_id)
    if former is None or former.get("edit") != as_written(edit):
        return edit
    computed = former.get("computed")
    if isinstance(computed, list) and len(computed) == 2:
        return replace(edit, computed=(str(computed[0]), float(computed[1])))
    return edit
