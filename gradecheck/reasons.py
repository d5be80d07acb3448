"""The decision in words: one plain sentence a hydrant that a field crew understands. Pure."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from gradecheck.cases import Cases
from gradecheck.choices import Choices
from gradecheck.clearance import Basis, Clearance
from gradecheck.decision import OPEN, Action, Decision
from gradecheck.policy import Policy
from gradecheck.probability import Floats, Ints
from gradecheck.units import show

_TOLD = 0.05
"""A chance that no length fits is told from here on."""


def parts_text(options: Choices, choice: int, unit: str) -> str:
    """Pieces longest first, without the unit: "24+12"; empty for none."""
    return "+".join(show(options.lengths[i], unit, 3).split()[0] for i in options.pieces[choice])


def choice_text(options: Choices, choice: int, unit: str) -> str:
    """One choice in words: "add 12 in", "exchange 12 in for 18 in", "take out 12 in", "nothing"."""
    parts = parts_text(options, choice, unit)
    out = float(options.out[choice])
    if out > 0:
        fitted = show(out, unit)
        return f"exchange {fitted} for {parts} {unit}" if parts else f"take out {fitted}"
    return f"add {parts} {unit}" if parts else "nothing"


def choice_texts(decision: Decision, which: Ints, unit: str) -> list[str | None]:
    """`choice_text` of a choice per hydrant, None where -1."""
    known: dict[tuple[int, int], str] = {}
    out: list[str | None] = []
    for table, choice in zip(decision.table.tolist(), which.tolist(), strict=True):
        if choice < 0 or table < 0:
            out.append(None)
            continue
        key = table, choice
        if key not in known:
            known[key] = choice_text(decision.tables[table], choice, unit)
        out.append(known[key])
    return out


def runner_ups(decision: Decision, unit: str) -> list[str | None]:
    """(H,) the second-best choice of open hydrants in words, or that it may be that none fits; None elsewhere."""
    texts = choice_texts(decision, decision.second, unit)
    none = (np.isin(decision.action, OPEN) & (decision.no_fit >= _TOLD)).tolist()
    return [
        text if text is not None else "no length fits" if may else None for text, may in zip(texts, none, strict=True)
    ]


def reasons(
    cases: Cases,
    clearance: Clearance,
    decision: Decision,
    policy: Policy,
    unit: str,
    missing: Sequence[str],
    setback: Sequence[str],
) -> list[str]:
    """A sentence per hydrant.

    missing: for `no_elevation` rows which ground lacks, and why. setback: where the new pavement is near, how far.
    """
    best = choice_texts(decision, decision.best, unit)
    second = choice_texts(decision, decision.second, unit)
    change = _moves(cases.change, unit)
    stands = _stands(cases.clearance_after, unit)
    ends = _stands(decision.clearance_final, unit)
    miss = [show(abs(v), unit) if np.isfinite(v) else "" for v in decision.window_miss.tolist()]
    assumed = (clearance.basis == Basis.assumed).tolist()
    unaltered = (decision.best < 0).tolist()
    percent = [f"{100 * p:.1f} %" if np.isfinite(p) else "" for p in decision.confidence.tolist()]
    out = []
    for i, code in enumerate(decision.action.tolist()):
        action = Action(code)
        if action is Action.outside:
            text = "No job of the paving plan reaches it."
        elif action is Action.relocate:
            text = f"{setback[i]}: relocate."
        elif action is Action.no_elevation:
            text = f"Cannot be decided: {missing[i]}."
        elif action is Action.keep and unaltered[i]:
            text = f"{change[i]}: within the dressing, so the job does not alter this hydrant."
        elif action is Action.keep:
            text = f"{change[i]}; the flange {stands[i]}{_dressed(decision, i, unit, ', inside the window')}: leave it."
        elif action in (Action.extend, Action.shorten):
            dressed = _dressed(decision, i, unit, "")
            text = f"{change[i]}; with nothing done the flange {stands[i]}; {best[i]}, and it {ends[i]}{dressed}."
        elif action is Action.too_high:
            text = f"{change[i]}; the flange {stands[i]}, {miss[i]} above the window, and no length mends it."
        elif action is Action.between_lengths:
            reach = _reach(decision, cases, i, policy, unit)
            text = f"{change[i]}; the flange {stands[i]}, {miss[i]} below the window, and {reach}."
        elif action is Action.measure:
            text = f"{change[i]}; measure the clearance first: best so far is {best[i]} ({percent[i]})."
        else:
            why = "the clearance and the ground" if assumed[i] else "the ground"
            also = f", next {second[i]}" if second[i] else ""
            if decision.no_fit[i] >= _TOLD:
                also += f", no length that fits ({100 * decision.no_fit[i]:.1f} %)"
            text = (
                f"{change[i]}; too close to call from {why}: {best[i]} ({percent[i]}){also}; "
                "set it when the final grade is staked."
            )
        if setback[i] and action is not Action.relocate:
            text += f" {setback[i]}: measure it."
        out.append(text)
    return out


def setback_text(distance: float, least: float, unit: str, sure: bool = False) -> str:
    """How far from the new pavement's edge a hydrant stands, metres; `least` is what the owner asks for.

    >>> setback_text(0.4, 0.6096, "ft"), setback_text(-1.0, 0.0, "m")
    ("1.31 ft from the new pavement's edge, 2 ft are needed", 'Inside the new pavement, 1 m from its edge')
    """
    away = show(abs(distance), unit)
    if distance < 0:
        return f"Inside the new pavement, {away} from its edge"
    text = f"{away} from the new pavement's edge"
    if sure and distance >= least:  # across a strip narrower than its place is known to
        return f"{text}, too near for how well its place is known"
    needed = show(least, unit)
    return f"{text}, {needed} {'is' if needed.startswith('1 ') else 'are'} needed"


def _moves(change: Floats, unit: str) -> list[str]:
    out = []
    for d in change.tolist():
        amount = show(abs(d), unit)
        if d != d:
            out.append("Surveyed flange against the new ground")
        elif amount.startswith("0 "):
            out.append("The ground does not move")
        else:
            out.append(f"The ground {'rises' if d > 0 else 'falls'} {amount}")
    return out


def _stands(clearance: Floats, unit: str) -> list[str]:
    out = []
    for c in clearance.tolist():
        if c != c:
            out.append("")
        elif c < 0:
            out.append(f"ends {show(-c, unit)} below ground")
        else:
            out.append(f"ends {show(c, unit)} above ground")
    return out


def _dressed(decision: Decision, i: int, unit: str, inside: str) -> str:
    """What the dressing has to do, or `inside` where there is nothing to dress."""
    miss = float(decision.window_miss[i])
    if miss == 0:
        return inside
    amount = show(abs(miss), unit)
    how_far = "just" if amount.startswith("0 ") else amount
    return f", {how_far} {'above' if miss > 0 else 'below'} the window: dress the ground"


def _reach(decision: Decision, cases: Cases, i: int, policy: Policy, unit: str) -> str:
    """Why no length helps: too long a raise, or a gap between two lengths."""
    options = decision.tables[int(decision.table[i])]
    dressing = policy.dressing.metres
    lowest = float(decision.window.low[i] - dressing - cases.clearance_after[i])
    highest = float(decision.window.high[i] + dressing - cases.clearance_after[i])
    most = float(options.rise.max())
    if lowest > most:
        return f"the longest raise there is, {show(most, unit)}, is too short"
    under, over = np.flatnonzero(options.rise < lowest), np.flatnonzero(options.rise > highest)
    if not len(under) or not len(over):
        return "it falls between two lengths: one leaves it too low, the next too high"
    shorter, longer = (choice_text(options, int(k), unit) for k in (under[-1], over[0]))
    return f"it falls between two choices: {shorter} leaves it too low, {longer} too high"
