"""A confirmation as tables: the layer `confirmed` and the register's new facts; words for states and work."""

from __future__ import annotations

from collections.abc import Iterable
from datetime import date

import numpy as np
import pyarrow as pa

from gradecheck.confirmation import Rests, State, Why
from gradecheck.confirming import Confirmation
from gradecheck.decision import OPEN, Action
from gradecheck.outputs.columns import GEOMETRY, real, wkb
from gradecheck.reasons import choice_texts
from gradecheck.units import METRES, elevation_unit, show

STATE_WORDS = {
    State.to_do: "planned work that nobody says was done",
    State.too_low: "below the window by more than the dressing",
    State.too_high: "above the window by more than the dressing",
    State.dress: "dress the ground at the hydrant by hand",
    State.unknown: "cannot be said: something was not surveyed or measured",
    State.stands: "in the window",
}
"""States, those that ask for something first."""
WHY_WORDS = {
    Why.nothing: "",
    Why.no_ground: "the ground as built is not known here",
    Why.no_flange: "the flange's elevation was never known: measure the clearance",
    Why.never_measured: "the flange was only assumed, never measured: measure the clearance",
    Why.not_done: "planned, and nothing says that it was done",
    Why.not_decided: "was to be measured, or set on site, and nothing says what was done",
    Why.to_relocate: "was to be relocated, and nothing says that it was",
}


def planned_words(c: Confirmation) -> list[str]:
    """(H,) what was planned: the work, or the action where that was left open."""
    d, unit = c.assessment.counted.decision, c.assessment.inputs.plan.output.unit
    chosen = choice_texts(d, d.best, unit)
    found = []
    for code, text in zip(d.action.tolist(), chosen, strict=True):
        action = Action(code)
        likely = f" (likely: {text})" if text and text != "nothing" else ""
        word = action.name.replace("_", " ")
        found.append(f"{word}{likely}" if action in OPEN else text if text and text != "nothing" else word)
    return found


def done_words(c: Confirmation) -> list[str]:
    """(H,) what crews say was done; empty where they say nothing."""
    unit, f = c.assessment.inputs.plan.output.unit, c.found
    texts = []
    for v, done, length, taken in zip(c.visits, f.done.tolist(), f.put_in.tolist(), f.taken_out.tolist(), strict=True):
        put = f"put in {show(length, unit, 3)}" if length > 0 else ""
        part = f"({'; '.join(v.parts)})" if v.parts else ""
        out = f"took out {show(taken, unit, 3)}" if taken > 0 else ""
        said = ", ".join(t for t in (f"{put} {part}".strip(), out) if t)
        texts.append(said if said and done else "done" if done else "")
    return texts


def differs_words(c: Confirmation) -> list[str]:
    """(H,) how the work done differs from the work planned, empty where it does not."""
    unit, p, f = c.assessment.inputs.plan.output.unit, c.planned, c.found
    texts = [""] * len(c.visits)
    for i in np.flatnonzero(c.confirmed.differs).tolist():
        put, out = (float(np.nan_to_num(v[i])) for v in (f.put_in, f.taken_out))
        texts[i] = "; ".join(
            f"{verb} {show(was, unit, 3)}, planned {show(meant, unit, 3)}"
            for verb, was, meant in (("put in", put, float(p.new[i])), ("took out", out, float(p.out[i])))
            if show(was, unit, 3) != show(meant, unit, 3)
        )
    return texts


def why_words(c: Confirmation) -> list[str]:
    """(H,) what is still to do, or why nothing can be said; else empty."""
    texts = []
    for row, code in enumerate(c.confirmed.why.tolist()):
        text = WHY_WORDS[Why(code)]
        source = c.asbuilt.source[row]
        texts.append(f"{text}: {source}" if Why(code) is Why.no_ground and source else text)
    return texts


def window_words(c: Confirmation) -> list[str | None]:
    """(H,) where the final clearance lies: inside the strict window, within the dressing of it, or outside."""
    dressing = c.assessment.inputs.plan.policy.dressing.metres
    return [
        None if m != m else "inside" if m == 0 else "dressing" if abs(m) <= dressing + 1e-9 else "outside"
        for m in c.confirmed.miss.tolist()
    ]


def confirmed_table(c: Confirmation) -> pa.Table:
    """The layer `confirmed`, geometry as WKB last; dangers first, then in the layer's order."""
    a, k = c.assessment, c.confirmed
    unit = a.inputs.plan.output.unit
    u, e = METRES[unit], METRES[elevation_unit(unit)]
    names = {"u": unit, "e": elevation_unit(unit)}
    jobs = a.inputs.jobs.names
    outlet = [{-1: "low", 0: "ok", 1: "high"}[o] if h == h else None
              for o, h in zip(k.outlet_off.tolist(), k.outlet.tolist(), strict=True)]  # fmt: skip
    known = np.isfinite(k.off)
    values: dict[str, pa.Array] = {
        "hydrant_id": pa.array(a.inputs.hydrants.id, pa.string()),
        "job": pa.array([jobs[j] if j >= 0 else None for j in a.job.tolist()], pa.string()),
        "street": pa.array(a.inputs.hydrants.street, pa.string()),
        "state": pa.array([State(s).name for s in k.state.tolist()], pa.string()),
        "danger": _texts("; ".join(v.dangers) for v in c.visits),
        "why": _texts(why_words(c)),
        "action": pa.array([Action(x).name for x in a.counted.decision.action.tolist()], pa.string()),
        "work_planned": _texts(planned_words(c)),
        "work_done": _texts(done_words(c)),
        "work_differs": _texts(differs_words(c)),
        "remarks": _texts("; ".join(said) for said in c.remarks),
        "done_on": _texts(v.on.isoformat() if v.on else "" for v in c.visits),
        "clearance_planned_{u}": real(a.counted.decision.clearance_final, u),
        "clearance_final_{u}": real(k.clearance, u),
        "clearance_final_sd_{u}": real(k.sd, u),
        "clearance_rests_on": _texts("" if r == Rests.nothing else Rests(r).name for r in k.rests.tolist()),
        "window": pa.array(window_words(c), pa.string()),
        "window_miss_{u}": real(k.miss, u),
        "outlet_height_{u}": real(k.outlet, u),
        "outlet_rule": pa.array(outlet, pa.string()),
        "ground_design_{e}": real(c.planned.ground, e),
        "ground_asbuilt_{e}": real(c.found.ground, e),
        "ground_off_{u}": real(k.off, u),
        "ground_off_sd_{u}": real(k.off_sd, u),
        "off_design": pa.array(k.off_design.tolist(), pa.bool_(), mask=~known),
        "asbuilt_source": _texts(c.asbuilt.source),
        "flange_elevation_{e}": real(k.flange, e),
        "drain_ok": pa.array([v.drain for v in c.visits], pa.bool_()),
        "leak_ok": pa.array([v.leak for v in c.visits], pa.bool_()),
        "out_at": _texts(v.out_at.isoformat(" ", "minutes") if v.out_at else "" for v in c.visits),
        "back_at": _texts(v.back_at.isoformat(" ", "minutes") if v.back_at else "" for v in c.visits),
        "note": _texts(v.note for v in c.visits),
        GEOMETRY: wkb(a.inputs.hydrants.geometry),
    }
    return pa.table({name.format(**names): column for name, column in values.items()}).take(pa.array(c.rows))


def _texts(values: Iterable[str]) -> pa.Array:
    return pa.array([v or None for v in values], pa.string())


def register_table(c: Confirmation, today: date) -> pa.Table:
    """New facts for the register: what was measured, surveyed or fitted, nothing that only follows from the plan.

    Hydrants of which nothing new is known are left out. date: of the crews' rows, else of the survey, else `today`.
    """
    a, k, f = c.assessment, c.confirmed, c.found
    h, unit = a.inputs.hydrants, a.inputs.plan.output.unit
    u, e = METRES[unit], METRES[elevation_unit(unit)]
    seen = np.isin(k.rests, (Rests.measured, Rests.surveyed))
    clearance = np.where(seen, k.clearance, np.nan)
    flange = np.where(np.isfinite(f.flange), f.flange, f.ground + f.clearance)
    height = np.where(np.isfinite(f.height), f.height, clearance + h.outlet)
    seen_fitted = np.array([v.fitted for v in c.visits])
    fitted = np.where(np.isfinite(seen_fitted), seen_fitted, h.fitted + np.where(f.done, k.rise, 0.0))
    new = f.done | np.isfinite(f.ground) | np.isfinite(flange) | np.isfinite(clearance) | np.isfinite(f.height)
    days = [v.on or d or today for v, d in zip(c.visits, c.asbuilt.days, strict=True)]
    rows = np.sort(c.rows[new[c.rows]])
    return pa.table(
        {
            "hydrant_id": pa.array(h.id, pa.string()),
            "date": pa.array([d.isoformat() for d in days], pa.string()),
            f"bury_{elevation_unit(unit)}": real(h.bury, e),
            f"extension_fitted_{unit}": real(fitted, u),
            f"flange_elevation_{elevation_unit(unit)}": real(flange, e),
            f"ground_elevation_{elevation_unit(unit)}": real(f.ground, e),
            f"clearance_{unit}": real(clearance, u),
            f"outlet_height_{unit}": real(height, u),
        }
    ).take(pa.array(rows))
