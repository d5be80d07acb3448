"""What measuring the first of the list saves, beside as many at random: `python -m tests.bench.measuring_list`.

Invented towns of 300 hydrants: half the clearances assumed, a third beside a curb that the position error may
step over, rises N(4 in, 4 in), ground known to 0.05 to 0.33 ft. The truth is drawn from what is believed, each flange
is measured and decided on anew as a run would, and a wrong length costs its stake. Printed as a Markdown table.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from gradecheck.decision import OPEN, Cases, decide
from gradecheck.measuring import measuring_list, with_choice
from gradecheck.policy import Policy
from gradecheck.probability import Floats, Ints, Mixture

INCH = 0.0254
FOOT = 0.3048
LENGTHS = tuple(n * INCH for n in range(6, 61, 6))
SHARES = (0.05, 0.10, 0.20)


@dataclass(frozen=True)
class Town:
    """Hydrants, what a wrong length costs at each, and where a crew may measure: open, clearance assumed."""

    cases: Cases
    stake: Floats
    measurable: Ints
    opened: int


def town(seed: int, n: int = 300) -> Town:
    """Invented hydrants and stakes."""
    rng = np.random.default_rng(seed)
    rise = rng.normal(4, 4, n) * INCH
    sd = rng.uniform(0.05, 0.33, n) * FOOT
    curb = rng.random(n) < 1 / 3
    counts = np.where(curb, 2, 1)
    start = np.concatenate(([0], np.cumsum(counts)))
    far = rng.uniform(0.1, 0.5, n)
    offset, weight = np.zeros(start[-1]), np.ones(start[-1])
    weight[start[:-1]] = np.where(curb, 1 - far, 1.0)
    weight[start[1:][curb] - 1] = far[curb]
    offset[start[1:][curb] - 1] = rng.choice([-6, 6], n)[curb] * INCH
    assumed = rng.permutation(n) < n // 2
    cases = Cases(
        clearance_after=np.where(assumed, 4.0, rng.uniform(2, 6, n)) * INCH - rise,
        change=rise,
        ground=Mixture(start, offset, weight, np.repeat(sd, counts)),
        shared=np.zeros((n, 2)),
        clearance_sd=np.where(assumed, 0.0, 0.25 * INCH),
        spread=np.where(assumed, 3 * INCH, 0.0),
        family=np.zeros(n, dtype=np.int64),
        lengths=(LENGTHS,),
        fitted=np.zeros(n),
        outlet=np.full(n, np.nan),
        outside=np.zeros(n, dtype=bool),
        measure_sd=0.25 * INCH,
    )
    action = decide(cases, Policy()).action
    opened = np.isin(action, OPEN)
    return Town(cases, rng.uniform(500, 1500, n), np.flatnonzero(opened & assumed), int(opened.sum()))


def saved(place: Town, draws: int, seed: int) -> Floats:
    """(H,) mean cost of a wrong length saved by measuring each hydrant, over draws of what is true; 0 where known."""
    rng = np.random.default_rng(seed)
    rows = with_choice(decide(place.cases, Policy()))
    rows = rows[place.cases.spread[rows] > 0]
    out = np.zeros(len(place.cases))
    for _ in range(draws):
        off = rng.uniform(-1, 1, len(rows)) * place.cases.spread[rows]
        ground = place.cases.ground
        second = (ground.counts[rows] == 2) & (rng.random(len(rows)) > ground.weight[ground.start[rows]])
        atom = ground.start[rows] + second
        moved = ground.offset[atom] + rng.normal(size=len(rows)) * ground.sd[atom]
        truth = place.cases.clearance_after[rows] + off - moved
        reading = np.zeros(len(place.cases))
        reading[rows] = off + rng.normal(size=len(rows)) * place.cases.measure_sd
        out[rows] += wrong(place.cases, rows, truth) - wrong(measured(place.cases, rows, reading), rows, truth)
    return place.stake * out / draws


def measured(cases: Cases, rows: Ints, reading: Floats) -> Cases:
    """The same with the flanges of some rows measured; `reading` (H,) above the middle of what was assumed."""
    spread, sd = cases.spread.copy(), cases.clearance_sd.copy()
    spread[rows], sd[rows] = 0.0, cases.measure_sd
    return replace(cases, clearance_after=cases.clearance_after + reading, spread=spread, clearance_sd=sd)


def wrong(cases: Cases, rows: Ints, truth: Floats) -> Floats:
    """(n,) 1 where the best choice does not end in the window of 2 to 6 in, dressed by 1 in."""
    # Asked for certainty, a run writes the best choice whatever its chance.
    final = truth + decide(cases, Policy(confidence=1 - 1e-9)).rise[rows]
    return ((final < 1 * INCH) | (final > 7 * INCH)).astype(float)


def cuts(place: Town, draws: int, seed: int) -> list[tuple[float, float, float]]:
    """For each of `SHARES` of the open hydrants: saved by the list, by the least confident first, at random."""
    decision = decide(place.cases, Policy())
    gain = saved(place, draws, seed)
    ranked = measuring_list(place.cases, Policy(), decision, place.stake).index
    doubtful = place.measurable[np.argsort(decision.confidence[place.measurable], kind="stable")]
    found = []
    for share in SHARES:
        count = max(1, round(share * place.opened))
        at_random = count * float(gain[place.measurable].mean())
        found.append((float(gain[ranked[:count]].sum()), float(gain[doubtful[:count]].sum()), at_random))
    return found


def main(towns: int = 20, draws: int = 400) -> None:
    """Print the table."""
    total = np.array([cuts(town(seed), draws, 1000 + seed) for seed in range(towns)])
    mean = total.mean(axis=0)
    print(f"{towns} towns of 300 hydrants, {draws} draws of the truth each; mean cost of wrong lengths saved a town\n")
    print("| measured, of open hydrants | first of the list | least confident | at random | list to random |")
    print("| --- | --- | --- | --- | --- |")
    for share, (by_list, doubtful, at_random) in zip(SHARES, mean.tolist(), strict=True):
        print(f"| {share:.0%} | {by_list:,.0f} | {doubtful:,.0f} | {at_random:,.0f} | {by_list / at_random:.1f} x |")


if __name__ == "__main__":
    main()
