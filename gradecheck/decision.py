"""The decision for every hydrant: choices, confidence, action. Pure: arrays and settings in, arrays out.

Lengths are metres, heights positive up. `C` is the clearance after the job if nothing is done, `W` the
owner's window widened by the dressing. The order of the rows of the action table is the order of `_action`.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import IntEnum
from typing import Any

import numpy as np
from numpy.typing import NDArray

from gradecheck import engine
from gradecheck.cases import Cases, Window, window, window_miss
from gradecheck.chances import PIECE, clearance_cdf, widened, within_dressing
from gradecheck.choices import Choices, choices
from gradecheck.policy import Policy
from gradecheck.probability import (
    EDGE,
    Bools,
    Floats,
    Ints,
    normal_cdf,
)

_TIE = 1e-9
_NO_CHOICE = 0.01
"""Below this chance of ending in the window a second-best choice is none: nobody should carry its parts."""
_BLOCK = 1_500_000
"""Probabilities held at a time: keeps memory flat."""
_STEPS = np.linspace(0.0, 1.0, 33)
"""Between the outermost changes that a hydrant may have: where the best measured clearance is looked for."""


class Action(IntEnum):
    """What a row of the layer says to do; `.name` is the word in the file."""

    keep = 0
    extend = 1
    shorten = 2
    too_high = 3
    between_lengths = 4
    measure = 5
    on_site = 6
    relocate = 7
    outside = 8
    no_elevation = 9


DECIDED = (Action.keep, Action.extend, Action.shorten)
OPEN = (Action.measure, Action.on_site)
ENGINEER = (Action.too_high, Action.between_lengths, Action.relocate, Action.no_elevation)
"""Actions that somebody must decide before a crew can do anything."""


@dataclass(frozen=True, slots=True)
class Decision:
    """What was decided, (H,) each; see the columns of the layer. NaN or -1 where nothing was computed.

    table, best, second: the row of `tables` that holds the choices, and the best and second-best of them; second is
        -1 also where it ends in the window with a chance below 0.01.
    no_fit: probability that no choice ends in the window.
    """

    action: NDArray[np.int8]
    confidence: Floats
    window: Window
    tables: tuple[Choices, ...]
    table: Ints
    best: Ints
    second: Ints
    no_fit: Floats
    rise: Floats
    new: Floats
    out: Floats
    left: Ints
    clearance_final: Floats
    window_miss: Floats

    def __len__(self) -> int:
        return len(self.action)

    def taken(self, rows: Ints) -> Decision:
        """What was decided of some hydrants, in the order given."""
        strict = Window(self.window.low[rows], self.window.high[rows], self.window.empty[rows])
        columns: dict[str, Any] = {name: getattr(self, name)[rows] for name in ("table", *_COLUMNS)}
        return replace(self, window=strict, **columns)


def decide(cases: Cases, policy: Policy) -> Decision:
    """Choose for every hydrant. The result does not depend on the order or the grouping of the rows."""
    n = len(cases)
    strict = window(cases.outlet, policy)
    active = ~cases.outside & np.isfinite(cases.clearance_after)
    table = np.full(n, -1, dtype=np.int64)
    best, second, left = (np.full(n, -1, dtype=np.int64) for _ in range(3))
    chance, above, below, rise, new, out = (np.full(n, np.nan) for _ in range(6))
    tables: list[Choices] = []
    for options, rows in groups(cases, policy, np.flatnonzero(active)):
        tables.append(options)
        for part in blocks(cases, rows, len(options)):
            p, over, under = _interval_chances(cases, part, options, strict, policy)
            pick, runner = _pick(p, cases.clearance_after[part], options, policy.clearance_target.metres)
            table[part], best[part], second[part] = len(tables) - 1, pick, runner
            chance[part] = p[np.arange(len(part)), pick]
            above[part], below[part] = over, under
            rise[part], new[part], out[part] = options.rise[pick], options.new[pick], options.out[pick]
            left[part] = options.left[pick]
    action, confidence, by_choice = _action(cases, policy, strict, active, chance, above, below, rise, table, tables)
    # Where nothing can or need be done the choice is nothing: the raise is 0 and so is the order.
    moved = action == Action.relocate
    nothing = (active | moved) & ~by_choice
    has = np.where(np.nan_to_num(cases.fitted) > 0, 1, 0)
    rise, new, out = (np.where(nothing, 0.0, v) for v in (rise, new, out))
    left = np.where(nothing, has, left)
    final = cases.clearance_after + rise
    hide = ~active | moved
    return Decision(
        action=action,
        confidence=confidence,
        window=strict,
        tables=tuple(tables),
        table=table,
        best=np.where(by_choice, best, -1),
        second=np.where(np.isin(action, OPEN), second, -1),
        no_fit=np.where(hide, np.nan, np.clip(above + below, 0.0, 1.0)),
        rise=rise,
        new=new,
        out=out,
        left=np.where(hide, -1, left),
        clearance_final=np.where(hide, np.nan, final),
        window_miss=np.where(hide, np.nan, window_miss(final, strict.low, strict.high)),
    )


def together(parts: Sequence[tuple[Ints, Decision]], family: Ints) -> Decision:
    """Decisions of parts of n hydrants, each with the rows (k,) that it is of, as one; `family` (n,) of all."""
    n = len(family)
    keys = {
        (int(family[rows[np.argmax(d.table == t)]]), options.fitted): options
        for rows, d in parts
        for t, options in enumerate(d.tables)
    }
    number = {key: k for k, key in enumerate(sorted(keys))}
    columns: dict[str, Any] = {}
    for rows, d in parts:
        codes = [number[int(family[rows[np.argmax(d.table == t)]]), o.fitted] for t, o in enumerate(d.tables)]
        table = np.where(d.table >= 0, np.array([*codes, -1])[d.table], -1)
        window = {f"window.{name}": getattr(d.window, name) for name in ("low", "high", "empty")}
        for name, values in {**{c: getattr(d, c) for c in _COLUMNS}, "table": table, **window}.items():
            columns.setdefault(name, np.zeros(n, dtype=values.dtype))[rows] = values
    strict = Window(*(columns.pop(f"window.{name}", np.zeros(n)) for name in ("low", "high", "empty")))
    return Decision(window=strict, tables=tuple(keys[key] for key in sorted(keys)), **columns)


_COLUMNS = ("action", "confidence", "best", "second", "no_fit", "rise", "new", "out", "left", "clearance_final",
            "window_miss")  # fmt: skip


def rechosen(decision: Decision, cases: Cases, rows: Ints) -> Decision:
    """What follows from action, table and best, worked out anew at some rows; NaN where the choice is still open."""
    rise, new, out, left = decision.rise.copy(), decision.new.copy(), decision.out.copy(), decision.left.copy()
    for row in rows.tolist():
        best = int(decision.best[row])
        if best >= 0:
            options = decision.tables[int(decision.table[row])]
            rise[row], new[row], out[row] = options.rise[best], options.new[best], options.out[best]
            left[row] = options.left[best]
        elif decision.action[row] in OPEN:
            rise[row], new[row], out[row], left[row] = np.nan, np.nan, np.nan, -1
        else:
            rise[row], new[row], out[row], left[row] = 0.0, 0.0, 0.0, int(np.nan_to_num(cases.fitted[row]) > 0)
    final, miss = decision.clearance_final.copy(), decision.window_miss.copy()
    final[rows] = np.where(decision.action[rows] == Action.relocate, np.nan, cases.clearance_after[rows] + rise[rows])
    miss[rows] = window_miss(final[rows], decision.window.low[rows], decision.window.high[rows])
    return replace(decision, rise=rise, new=new, out=out, left=left, clearance_final=final, window_miss=miss)


def _action(
    cases: Cases,
    policy: Policy,
    strict: Window,
    active: Bools,
    chance: Floats,
    above: Floats,
    below: Floats,
    rise: Floats,
    table: Ints,
    tables: Sequence[Choices],
) -> tuple[NDArray[np.int8], Floats, Bools]:
    """The action table, first line that holds: (action, confidence, whether the best choice is what is written)."""
    need = policy.confidence - 1e-12
    way = np.zeros(len(cases)) if cases.in_the_way is None else cases.in_the_way
    moved = ~cases.outside & (way >= need)
    active = active & ~moved
    assumed = active & (cases.spread > 0)
    decided = active & (chance >= need)
    unaltered = np.full(len(cases), np.nan)
    rows = np.flatnonzero(assumed & ~decided)
    unaltered[rows] = within_dressing(cases, rows, policy)
    still = assumed & ~decided & (unaltered >= need)
    high = active & ~decided & ~still & (above >= need)
    gap = active & ~decided & ~still & ~high & (below >= need)
    rest = active & ~(decided | still | high | gap)
    helped = np.zeros(len(cases), dtype=bool)
    for code in np.unique(table[rest & assumed]):
        rows = np.flatnonzero(rest & assumed & (table == code))
        helped[rows] = _best_if_measured(cases, rows, tables[code], strict, policy) >= need
    action = np.select(
        [cases.outside, moved, ~active, decided & (rise > 0), decided & (rise < 0), decided | still, high, gap, helped],
        [Action.outside, Action.relocate, Action.no_elevation, Action.extend, Action.shorten, Action.keep,
         Action.too_high, Action.between_lengths, Action.measure],
        Action.on_site,
    ).astype(np.int8)  # fmt: skip
    confidence = np.select([moved, still, high, gap], [way, unaltered, above, below], chance)
    return action, np.where(active | moved, np.clip(confidence, 0.0, 1.0), np.nan), decided | rest


def groups(cases: Cases, policy: Policy, rows: Ints) -> Iterator[tuple[Choices, Ints]]:
    """Rows that share a family and a fitted length, with their choices; in rising order of both."""
    fitted = np.round(np.nan_to_num(cases.fitted[rows]), 6)
    keys, inverse = np.unique(np.stack([cases.family[rows].astype(float), fitted]), axis=1, return_inverse=True)
    order = np.argsort(inverse.ravel(), kind="stable")
    ends = np.searchsorted(inverse.ravel()[order], np.arange(keys.shape[1] + 1))
    longest = None if policy.max_extension is None else policy.max_extension.metres
    for k in range(keys.shape[1]):
        lengths = cases.lengths[int(keys[0, k])]
        yield choices(lengths, float(keys[1, k]), policy.max_extensions, longest), rows[order[ends[k] : ends[k + 1]]]


def blocks(cases: Cases, rows: Ints, width: int) -> Iterator[Ints]:
    """Rows in pieces: known and assumed clearance apart, one atom and several apart, each small enough."""
    several = cases.ground.counts[rows] > 1
    assumed = cases.spread[rows] > 0
    for kind in (~several & ~assumed, several & ~assumed, ~several & assumed, several & assumed):
        part = rows[kind]
        atoms = np.cumsum(cases.ground.counts[part]) * 2 * width
        cuts = np.searchsorted(atoms, np.arange(_BLOCK, atoms[-1], _BLOCK) if len(part) else [])
        yield from (piece for piece in np.split(part, np.unique(cuts)) if len(piece))


def _interval_chances(
    cases: Cases, rows: Ints, options: Choices, strict: Window, policy: Policy
) -> tuple[Floats, Floats, Floats]:
    """P(C + rise in W) for each choice (n, J); P(C above W, no choice ends in W); P(C below W, none does)."""
    low, high = widened(strict, rows, policy)
    upto_low = clearance_cdf(cases, rows, low - options.rise)
    upto_high = clearance_cdf(cases, rows, high - options.rise)
    gaps = np.maximum(upto_low[:, :-1] - upto_high[:, 1:], 0.0)
    # Between two raises that are both >= 0 the uncovered C lies below W, else above it: 0 is always a choice.
    downward = options.rise[1:] <= 0
    above = 1.0 - upto_high[:, 0] + gaps[:, downward].sum(axis=1)
    below = upto_low[:, -1] + gaps[:, ~downward].sum(axis=1)
    return upto_high - upto_low, above, below


def _pick(p: Floats, clearance_after: Floats, options: Choices, target: float) -> tuple[Ints, Ints]:
    """The best and second-best choice of each row (second -1 where there is no other that may well be right)."""
    miss = np.abs(clearance_after[:, None] + options.rise - target)

    def top(chance: Floats) -> Ints:
        tied = chance >= chance.max(axis=1, keepdims=True) - _TIE
        nearest = np.where(tied, miss, np.inf)
        tied &= nearest <= nearest.min(axis=1, keepdims=True) + _TIE
        return np.asarray(np.argmin(np.where(tied, options.rank, len(options)), axis=1))

    first = top(p)
    if len(options) == 1:
        return first, np.full(len(first), -1, dtype=np.int64)
    rest = p.copy()
    rest[np.arange(len(first)), first] = -1.0
    return first, np.where(rest.max(axis=1) >= _NO_CHOICE, top(rest), -1)


def _best_if_measured(cases: Cases, rows: Ints, options: Choices, strict: Window, policy: Policy) -> Floats:
    """The best choice's probability at the most favourable measured clearance, for rows of one table.

    With t = measured clearance + rise, C + rise is normal about t - change; t can be anywhere in the assumed
    clearances moved by each rise. The best t puts the change, or some atom of it, in the middle of W.
    """
    low, high = widened(strict, rows, policy)
    middle = (low + high) / 2
    mid_assumed = cases.clearance_after[rows] + cases.change[rows]
    least = (mid_assumed - cases.spread[rows])[:, None] + options.rise
    most = least + 2 * cases.spread[rows][:, None]
    other = cases.shared_variance(rows) + cases.measure_sd**2
    result = np.zeros(len(rows))

    def nearest_reachable(wanted: Floats, some: Ints) -> Floats:
        """The t nearest to each wanted one (n, T) that some rows (n,) may have."""
        clipped = np.clip(wanted[..., None], least[some][:, None], most[some][:, None])
        nearest = np.argmin(np.abs(clipped - wanted[..., None]), axis=-1)
        out: Floats = np.take_along_axis(clipped, nearest[..., None], axis=-1)[..., 0]
        return out

    def work(some: Ints) -> None:
        """Rows of as many atoms each, (n, T, atoms) for T places of t."""
        ground = cases.ground.take(rows[some])
        offset, weight, own = (v.reshape(len(some), -1) for v in (ground.offset, ground.weight, ground.sd))
        change = cases.change[rows[some]][:, None] + offset
        span = change
        if change.shape[1] > 1:
            bottom, top = change.min(axis=1, keepdims=True), change.max(axis=1, keepdims=True)
            span = np.concatenate([change, bottom + _STEPS * (top - bottom)], axis=1)
        centre = nearest_reachable(middle[some] + span, some)[..., None] - change[:, None]
        sd = np.sqrt(np.square(own) + other[some][:, None])[:, None]
        inside = normal_cdf(high[some][..., None], centre, sd) - normal_cdf(low[some][..., None], centre, sd)
        result[some] = (inside * weight[:, None]).sum(axis=2).max(axis=1)

    counts = cases.ground.counts[rows]
    pieces: list[Ints] = []
    for atoms in np.unique(counts).tolist():
        alike = np.flatnonzero(counts == atoms)
        each = max(atoms, len(options)) * (atoms + len(_STEPS))
        pieces += [alike[some] for some in engine.spans(len(alike), max(1, PIECE // each))]
    engine.each(work, pieces)
    return result


@dataclass(frozen=True, slots=True)
class RightChoice:
    """For rows (n,) that share `options`: P of each choice being the right one (n, J); the rest is "none"."""

    rows: Ints
    options: Choices
    chance: Floats


def right_choices(cases: Cases, policy: Policy, rows: Ints, at: tuple[float, float] | None = None) -> list[RightChoice]:
    """The right choice as a random variable: in W, nearest the target, same tie-breaks.

    `at` fixes the errors shared by the before and the after surface, in sds; without it they are part of the
    spread. Sums over choices plus "none" are 1.
    """
    strict = window(cases.outlet, policy)
    found = []
    for options, group in groups(cases, policy, rows):
        for part in blocks(cases, group, len(options)):
            low, high = _cells(options, strict, part, policy)
            chance = clearance_cdf(cases, part, high, at) - clearance_cdf(cases, part, low, at)
            found.append(RightChoice(part, options, np.maximum(chance, 0.0)))
    return found


def _cells(options: Choices, strict: Window, rows: Ints, policy: Policy) -> tuple[Floats, Floats]:
    """For each choice the C (low, high], (n, J) each, for which it is the right one.

    Two neighbouring raises change over where the final clearances are equally far from the target, unless
    one of them leaves W before that.
    """
    floor, ceiling = widened(strict, rows, policy)
    enter = floor - options.rise
    leave = ceiling - options.rise
    target = np.clip(policy.clearance_target.metres, floor, ceiling)
    lower_wins = np.where(options.rank[:-1] < options.rank[1:], -EDGE, EDGE)
    meet = target - (options.rise[:-1] + options.rise[1:]) / 2 + lower_wins
    low, high = enter.copy(), leave.copy()
    high[:, 1:] = np.minimum(leave[:, 1:], np.maximum(meet, enter[:, :-1]))
    low[:, :-1] = np.maximum(enter[:, :-1], np.minimum(meet, leave[:, 1:]))
    return low, np.maximum(high, low)
