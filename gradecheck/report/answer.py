"""What the page says in words and figures before anybody scrolls: the answer, the order, how sure it is, from what."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import date
from decimal import Decimal
from itertools import pairwise

import numpy as np

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.clearance import Basis
from gradecheck.decision import DECIDED, ENGINEER, OPEN, Action
from gradecheck.errors import listed
from gradecheck.order import Need, OrderLine, first_order_by, part_name, total_cost
from gradecheck.outputs.style import Mark, mark_of
from gradecheck.outputs.summary import ACTION_WORDS
from gradecheck.probability import Bools, Floats

_LATE = "late"
_RANGE = (0.1, 0.9)
_FEWEST_BARS = 8
"""A chart has room for so many columns at least, so that one alone is no wall."""
_BANDS = ((0.99, "0.99 and more"), (0.95, "0.95 to 0.99"), (0.9, "0.90 to 0.95"), (0.0, "below 0.90"))


@dataclass(frozen=True, slots=True)
class Figure:
    """One figure of the answer: the number large, what it counts, and a line on it."""

    value: str
    name: str
    more: str = ""


@dataclass(frozen=True, slots=True)
class Answer:
    """The answer first. headline: one sentence; figures: in the order of reading; the rest: sentences.

    why_open: what keeps open hydrants open, and how many.
    """

    headline: str
    figures: tuple[Figure, ...]
    unsure: tuple[str, ...]
    assumed: tuple[str, ...]
    warnings: tuple[str, ...]
    why_open: Mapping[str, int]


def answer(a: Assessment) -> Answer:
    """How many of what, the money, the day, what is uncertain and what was taken for granted."""
    action = a.counted.decision.action
    n = Counter(Action(k) for k in action.tolist())
    reached = len(a) - n[Action.outside]
    work, still = n[Action.extend] + n[Action.shorten], n[Action.measure] + n[Action.on_site]
    desk = sum(n[k] for k in ENGINEER)
    figures = [
        Figure(
            str(work), "another length, decided", _and((n[Action.extend], "put in"), (n[Action.shorten], "take out"))
        ),
        Figure(
            str(still), "still open", _and((n[Action.measure], "measure first"), (n[Action.on_site], "set on site"))
        ),
        Figure(str(desk), "for an engineer", _and(*((n[k], _label(k)) for k in ENGINEER))),
        Figure(str(n[Action.keep]), "left as they are", _and((n[Action.outside], "more are outside every job"))),
        *_money(a.order, a.inputs.catalog.currency),
        *_first_day(a.order, a.today),
    ]
    why = why_open(a)
    return Answer(
        _headline(reached, work, n[Action.keep], still, desk),
        tuple(figures),
        _unsure(a, why),
        a.inputs.assumed,
        (*a.warnings, *_held(a)),
        why,
    )


def _headline(reached: int, work: int, kept: int, still: int, desk: int) -> str:
    if not reached:
        return "No job reaches any hydrant: nothing is said of any of them."
    stay = "stays as it is" if kept == 1 else "stay as they are"
    whole = "The one hydrant in the jobs:" if reached == 1 else f"Of {reached} hydrants in the jobs,"
    parts = [f"{whole} {work} {'gets' if work == 1 else 'get'} another length and {kept} {stay}"]
    if still:
        parts.append(f"{still} must be measured or set on site first")
    if desk:
        parts.append(f"{desk} {'needs' if desk == 1 else 'need'} an engineer's decision")
    return "; ".join(parts) + "."


def _and(*counts: tuple[int, str]) -> str:
    return ", ".join(f"{n} {name}" for n, name in counts if n)


def _label(action: Action) -> str:
    return mark_of(action).label


def _money(lines: Sequence[OrderLine], currency: str) -> list[Figure]:
    lengths = [line for line in lines if line.length is not None]
    pieces = sum(line.quantity_order for line in lengths)
    bought = sum(line.quantity_buy or 0 for line in lengths)
    firm = sum(line.quantity_firm for line in lengths)
    cost = total_cost(lines)
    more = f"{pieces} extensions to have ({firm} of them firm), {bought} of them to buy"
    if cost is None:
        return [Figure("no cost", "known for the parts", more)] if lines else [Figure("none", "parts to order")]
    return [Figure(f"{cost:,.0f} {currency}", "parts to buy", more)]


def _first_day(lines: Sequence[OrderLine], today: date) -> list[Figure]:
    days = [line.order_by for line in lines if line.order_by and line.quantity_buy]
    late = [d for d in days if _LATE in d]
    day = first_order_by(lines)
    if not any(line.quantity_buy for line in lines):
        return []
    if day is None:
        return [Figure("no date", "known to order by", "no start or lead time is stated")] if lines else []
    more = (
        f"{_counted(len(late), 'line')} to buy late already"
        if late
        else f"counted back from the starts, seen from {today}"
    )
    return [Figure(day.split()[0], "order by", more)]


def _counted(n: int, noun: str) -> str:
    return f"1 {noun} is" if n == 1 else f"{n} {noun}s are"


def _unsure(a: Assessment, why: Mapping[str, int]) -> tuple[str, ...]:
    d = a.decision
    decided = np.isin(d.action, DECIDED) & ~a.counted.reviewed
    wrong = float(np.nansum(1 - d.confidence[decided]))
    told = []
    if decided.any():
        told.append(
            f"Of the {int(decided.sum())} hydrants decided by computation expect about {wrong:.1f} to turn out "
            f"otherwise; none is decided below a probability of {a.inputs.plan.policy.confidence:g}."
        )
    told += [f"Open mainly because {text}: {n}." for text, n in why.items()]
    if a.order:
        level = a.inputs.plan.policy.service_level
        told.append(f"The order suffices with probability {level:g} for each part, open hydrants counted by chance.")
    return tuple(told)


def _held(a: Assessment) -> list[str]:
    """Hydrants that an engineer has to agree to, work or none, and those that the reach may have missed."""
    held = cautions.any_of(a.cautions, cautions.TO_REVIEW) & ~a.counted.reviewed & ~a.cases.outside
    missed = cautions.any_of(a.cautions, ("missed_by_reach",))
    told = []
    if held.any():
        codes = [c for c in cautions.TO_REVIEW if cautions.any_of(a.cautions[held], (c,)).any()]
        told.append(f"An engineer has to agree ({', '.join(codes)}): {_named(a, held)}.")
    if missed.any():
        told.append(f"No job reaches them, yet the ground changes there (missed_by_reach): {_named(a, missed)}.")
    return told


def _named(a: Assessment, rows: Bools) -> str:
    """The first few ids of some hydrants, and how many more there are."""
    ids = [a.inputs.hydrants.id[i] for i in np.flatnonzero(rows).tolist()]
    return listed(ids, most=_FEW)


_FEW = 8
_WHY = (
    "the clearance today was never measured",
    "the measured height is not known well enough",
    "it is not known well enough where they stand beside a step of the ground",
    "the ground's elevations are not known well enough",
    "an error common to a whole surface is too large",
)
_CLOSE = "two choices end about equally well"
_EDGE = "it stands at the edge of what any length can mend"


def why_open(a: Assessment) -> dict[str, int]:
    """What keeps open hydrants open: the largest part of the variance of each, counted.

    Where the known error is less than a quarter of the window, the hydrant stands between two choices.
    """
    still = np.isin(a.decision.action, OPEN) & np.isin(a.counted.decision.action, OPEN)
    rows = np.flatnonzero(still).astype(np.int64)
    if not len(rows):
        return {}
    ground = a.cases.ground.take(rows)
    parts: Floats = np.stack(
        [
            np.square(a.clearance.spread[rows]) / 3,
            np.square(a.clearance.sd[rows]),
            np.square(np.nan_to_num(a.change.position_sd[rows])),
            ground.mean(np.square(ground.sd)),
            a.cases.shared_variance(rows),
        ]
    )
    window = a.decision.window.high[rows] - a.decision.window.low[rows]
    close = np.sqrt(parts.sum(axis=0)) < window / 4
    counts = Counter(
        (_CLOSE if two else _EDGE) if c else _WHY[k]
        for k, c, two in zip(
            parts.argmax(axis=0).tolist(), close.tolist(), (a.decision.second[rows] >= 0).tolist(), strict=True
        )
    )
    return dict(counts.most_common())


@dataclass(frozen=True, slots=True)
class ActionRow:
    """One action in the table of how sure it is. bands: how many of each band of confidence. wrong: expected wrong."""

    mark: Mark
    words: str
    count: int
    firm: int
    bands: tuple[int, ...]
    wrong: float | None


def how_sure(a: Assessment) -> tuple[ActionRow, ...]:
    """Each action that occurs, with the probabilities of its rows; of reviewed ones no probability is told."""
    d = a.decision
    rows = []
    for action in Action:
        mine = (d.action == action) & ~a.counted.reviewed
        if not mine.any():
            continue
        p = d.confidence[mine]
        edges = [1.0 + 1e-9, *(low for low, _ in _BANDS)]
        bands = tuple(int(((p < high) & (p >= low)).sum()) for high, low in pairwise(edges))  # NaN in none
        decided = np.isfinite(p).any() and action not in OPEN
        wrong = float(np.nansum(1 - p)) if decided else None
        rows.append(
            ActionRow(mark_of(action), ACTION_WORDS[action], int(mine.sum()), int(a.firm[mine].sum()), bands, wrong)
        )
    return tuple(rows)


def band_names() -> tuple[str, ...]:
    """The heads of the columns of `ActionRow.bands`."""
    return tuple(name for _, name in _BANDS)


@dataclass(frozen=True, slots=True)
class Bar:
    """One column of a small chart, per cent of its box; `have`: the quantity to have suffices there."""

    x: float
    width: float
    height: float
    have: bool


@dataclass(frozen=True, slots=True)
class PartRow:
    """A line of the order for people. low, high: quantities between which the need lies with probability 0.8.

    bars: the distribution of the need, empty where it is certain.
    """

    line: OrderLine
    name: str
    low: int
    high: int
    short: float
    bars: tuple[Bar, ...]


@dataclass(frozen=True, slots=True)
class JobOrder:
    """What one job takes. order_by: the earliest of its lines, with `late` where it is past."""

    job: str
    starts: date | None
    rows: tuple[PartRow, ...]
    cost: Decimal | None
    order_by: str


def orders(a: Assessment) -> tuple[JobOrder, ...]:
    """The order, job by job."""
    found = []
    unit = a.inputs.plan.output.unit
    for job in a.inputs.jobs.names:
        lines = [line for line in a.order if line.job == job]
        if not lines:
            continue
        rows = tuple(_part_row(line, unit) for line in lines)
        day = first_order_by(lines) or ""
        found.append(JobOrder(job, a.inputs.jobs.starts.get(job), rows, total_cost(lines), day))
    return tuple(found)


def _part_row(line: OrderLine, unit: str) -> PartRow:
    name = part_name(line, unit)
    low, high = (line.need.enough(p) for p in _RANGE)
    return PartRow(line, name, low, high, line.need.short(line.quantity_order), _bars(line.need, line.quantity_order))


def _bars(need: Need, have: int) -> tuple[Bar, ...]:
    if need.certain:
        return ()
    first, last = need.enough(0.005), need.enough(0.995)
    chance = need.chance[first - need.least : last - need.least + 1]
    width = 100 / max(len(chance), _FEWEST_BARS)
    return tuple(
        Bar(k * width, 0.84 * width, 100 * float(c / chance.max()), first + k <= have) for k, c in enumerate(chance)
    )


def caution_rows(a: Assessment) -> tuple[tuple[str, int, str, bool], ...]:
    """Code, how many hydrants, what it means, whether it holds an order back; those that occur."""
    return tuple(
        (code, n, cautions.MEANING[code], code in cautions.HOLDING) for code, n in cautions.counts(a.cautions).items()
    )


def policy_rows(a: Assessment) -> tuple[tuple[str, str], ...]:
    """The owner's standard as it was applied."""
    policy = a.inputs.plan.policy
    given = policy.model_dump(mode="python")
    return tuple((name, "not stated" if value is None else str(getattr(policy, name))) for name, value in given.items())


def rejected_rows(a: Assessment) -> tuple[tuple[int, str], ...]:
    """Rows that could not be worked on: place in the layer and why; the first twenty."""
    r = a.inputs.hydrants.rejected
    return tuple(zip([int(p) for p in r.place[:20]], list(r.reason[:20]), strict=True))


def size_words(size: int) -> str:
    """Bytes for people.

    >>> size_words(2_400_000), size_words(12)
    ('2.4 MB', '12 B')
    """
    for name, unit in (("GB", 10**9), ("MB", 10**6), ("kB", 10**3)):
        if size >= unit:
            return f"{size / unit:.1f} {name}"
    return f"{size} B"


def measured_words(a: Assessment) -> Mapping[str, int]:
    """On what the clearances of the hydrants in the jobs rest."""
    basis = a.clearance.basis[~a.cases.outside]
    return {b.name: int((basis == b).sum()) for b in Basis if (basis == b).any()}
