"""Sheets for the crew and what is left to an engineer: an assessment in words and numbers. Pure; metres inside."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import date

import numpy as np
import shapely
from pyproj import CRS

from gradecheck import cautions, reference
from gradecheck.assessment import Assessment
from gradecheck.cases import window_miss
from gradecheck.clearance import Basis
from gradecheck.decision import ENGINEER, Action
from gradecheck.order import Work
from gradecheck.probability import Bools, Floats
from gradecheck.provenance import after_sources, before_sources
from gradecheck.reference import Path
from gradecheck.units import imperial
from gradecheck.walk import route
from gradecheck.worksheets import words
from gradecheck.worksheets.picks import (
    Part,
    Pick,
    fitted_words,
    parts,
    picks,
    said,
    site_rule,
    small,
    window_of,
)
from gradecheck.worksheets.places import Neighbour, Sketch, sketches, station_of
from gradecheck.worksheets.questions import Question, held, job_name, question, waits

CREW = (Action.extend, Action.shorten, Action.measure, Action.on_site)
"""Actions with a sheet; `keep` has one where the ground must be dressed."""
HOLD = "HOLD: start only once the engineer has agreed (last pages). Then:"
OPENED = (Action.extend.name, Action.shorten.name, Action.on_site.name)
"""Kinds of sheet for which the hydrant is out of service."""


@dataclass(frozen=True, slots=True)
class Levels:
    """Heights for the drawing, metres above today's ground; NaN unknown.

    now: flange today, `basis` what that rests on. moved: the ground's change, up positive. undone: flange above the
    new ground if nothing is done. finals: flange above the new ground with each choice, and its words.
    low, high: the owner's window above the ground.
    """

    now: float
    basis: str
    moved: float
    undone: float
    finals: tuple[tuple[str, float], ...]
    low: float
    high: float


@dataclass(frozen=True, slots=True)
class Sheet:
    """One page. All texts are as in the layer; what paper cannot show is replaced when it is drawn.

    number: from 1, in walking order. row: of the hydrant in the assessment. kind: an action's name, or `words.DRESS`.
    longitude, latitude: degrees; position: the same in the layer's own system. place: row in the layer, from 1.
    do: what to do, in one sentence; rule: which choice on site. load: from the store; out: to take out and bring back.
    held: not to be started before an engineer agrees.
    """

    number: int
    row: int
    hydrant_id: str
    kind: str
    job: str
    starts: date | None
    street: str
    station: str
    position: str
    place: int
    longitude: float
    latitude: float
    sketch: Sketch
    do: str
    stage: str
    rule: tuple[str, ...]
    levels: Levels
    load: tuple[Part, ...]
    out: str
    fitted: str
    tools: tuple[str, ...]
    checks: tuple[str, ...]
    opens: str
    cautions: tuple[str, ...]
    reviewed: bool
    note: str
    held: bool

    @property
    def neighbours(self) -> tuple[Neighbour, ...]:
        """The nearest hydrants, which must not be out together with this one."""
        return self.sketch.neighbours


@dataclass(frozen=True, slots=True)
class Book:
    """All sheets in walking order, the engineer's list, and how many hydrants need neither.

    questions: hydrants without a sheet until they are decided. held: those whose sheet waits for an engineer.
    unit: of small heights, the plan's. flange: what a flange height is measured at, in words.
    """

    title: str
    day: date
    unit: str
    flange: str
    sheets: tuple[Sheet, ...]
    questions: tuple[Question, ...]
    held: tuple[Question, ...]
    others: int

    @property
    def imperial(self) -> bool:
        """Feet and inches, else metric."""
        return imperial(self.unit)

    def jobs(self) -> list[tuple[str, tuple[Sheet, ...]]]:
        """Sheets by job, in order."""
        found: dict[str, list[Sheet]] = {}
        for sheet in self.sheets:
            found.setdefault(sheet.job, []).append(sheet)
        return [(job, tuple(members)) for job, members in found.items()]


def book(a: Assessment) -> Book:
    """Everything that the work sheets say, an analyst's choices in place of the computed ones."""
    d, h, plan = a.counted.decision, a.inputs.hydrants, a.inputs.plan
    chosen = picks(a)
    dressed = _dressed(a)
    wanted = [Action[name] for name in plan.output.sheets]
    rows = np.flatnonzero((np.isin(d.action, CREW) | dressed) & np.isin(d.action, wanted))
    at = route(h.x[rows], h.y[rows], a.job[rows], [h.street[i] for i in rows.tolist()])
    rows = rows[at].astype(np.int64)
    drawn = sketches(a, rows)
    lon, lat = _degrees(a)
    before, after = (told(a.change, a.sampled, rows) for told in (before_sources, after_sources))
    work = a.work
    sheets = []
    for n, row in enumerate(rows.tolist()):
        station = station_of(after[n]) or station_of(before[n])
        where = _Where(n + 1, row, float(lon[row]), float(lat[row]), station, drawn[n])
        sheets.append(_sheet(a, work, where, chosen[row], bool(dressed[row])))
    asked = np.flatnonzero(np.isin(d.action, ENGINEER)).tolist()
    return Book(
        title=plan.project.name or "Hydrants",
        day=a.today,
        unit=plan.output.unit,
        flange=words.flange_words(plan.policy.flange_point),
        sheets=tuple(sheets),
        questions=tuple(question(a, row) for row in sorted(asked, key=lambda i: (int(a.job[i]), h.street[i] or "", i))),
        held=tuple(held(a, s.row, s.kind, s.number) for s in sheets if s.held),
        others=len(a) - len(sheets) - len(asked),
    )


def _dressed(a: Assessment) -> Bools:
    """(H,) kept, and the ground must be dressed; worked out anew where a reviewer says keep."""
    d = a.counted.decision
    computed = cautions.any_of(a.cautions, (words.DRESS,))
    miss = np.abs(np.nan_to_num(d.window_miss))
    reviewed = (miss > 0) & (miss <= a.inputs.plan.policy.dressing.metres + 1e-9)
    return np.asarray((d.action == Action.keep) & np.where(a.counted.reviewed, reviewed, computed), dtype=bool)


def _miss(a: Assessment, row: int, rises: tuple[float, ...]) -> float:
    """Metres above (+) or below (-) the owner's window with the first choice; 0 inside, or where it is not known."""
    window = a.counted.decision.window
    final = float(a.clearance.after[row]) + (rises[0] if rises else 0.0)
    return float(np.nan_to_num(window_miss(final, window.low[row], window.high[row])))


def _dressable(a: Assessment, miss: float) -> bool:
    """Off the window, and no farther than dressing reaches."""
    return 0 < abs(miss) <= a.inputs.plan.policy.dressing.metres + 1e-9


def _degrees(a: Assessment) -> tuple[Floats, Floats]:
    h = a.inputs.hydrants
    crs = reference.split(h.crs)[0] or h.crs
    lon, lat = Path.between(crs, CRS.from_epsg(4326)).there(shapely.get_x(h.geometry), shapely.get_y(h.geometry))
    return np.asarray(lon), np.asarray(lat)


@dataclass(frozen=True, slots=True)
class _Where:
    """What a sheet says of its place; fields as in `Sheet`."""

    number: int
    row: int
    longitude: float
    latitude: float
    station: str
    sketch: Sketch


def _sheet(a: Assessment, work: Work, where: _Where, pick: Pick, dressed: bool) -> Sheet:
    h, plan, d, row = a.inputs.hydrants, a.inputs.plan, a.counted.decision, where.row
    kind = words.DRESS if dressed else Action(int(d.action[row])).name
    unit = small(plan.output.unit)
    takes_parts = kind in OPENED
    edit = a.review.at[row]
    job = job_name(a, row)
    curb = bool(cautions.any_of(a.cautions[row : row + 1], ("curb_near",))[0])
    rule: tuple[str, ...] = ()
    if kind == Action.on_site.name:
        rule = site_rule(pick, window_of(d, row, plan.policy.dressing), plan.policy.clearance_target.metres, unit)
    place = h.geometry[row]
    return Sheet(
        number=where.number,
        row=row,
        hydrant_id=h.id[row],
        kind=kind,
        job=job,
        starts=a.inputs.jobs.starts.get(job),
        street=h.street[row] or "",
        station=where.station,
        position=f"{_number(place.x)}, {_number(place.y)} ({reference.name_of(h.crs)})",
        place=int(h.place[row]),
        longitude=where.longitude,
        latitude=where.latitude,
        sketch=where.sketch,
        do=_do(a, row, kind, pick, unit) if not waits(a, row, kind) else f"{HOLD} {_do(a, row, kind, pick, unit)}",
        stage=words.stage(kind, float(a.change.change[row]), curb),
        rule=rule,
        levels=_levels(a, row, kind, pick, unit),
        load=parts(a, work, row, pick) if takes_parts else (),
        out=_out(pick, unit) if takes_parts else "",
        fitted=fitted_words(float(h.fitted[row]), unit),
        tools=words.TOOLS[kind],
        checks=_checks(a, row) if takes_parts else (),
        opens=h.opens[row] or "",
        cautions=_cautions(a, row, pick, dressed),
        reviewed=bool(a.counted.reviewed[row]),
        note=(edit.note or "") if edit is not None else "",
        held=waits(a, row, kind),
    )


def _number(value: float) -> str:
    return f"{value:.6f}" if abs(value) <= 400 else f"{value:.2f}"


def _do(a: Assessment, row: int, kind: str, pick: Pick, unit: str) -> str:
    """The one sentence."""
    inches = unit == "in"
    miss = _miss(a, row, pick.rises)
    off = words.too(miss, inches)
    if kind == Action.measure.name:
        return "Measure the flange height and write it down. Open nothing."
    if kind == words.DRESS:
        return f"Leave the hydrant; dress the ground around it: the flange ends {off}."
    told = said(pick, unit)
    if kind == Action.on_site.name:
        if len(told) == 1:
            one = "leave it" if told[0] == "nothing" else told[0]
            return f"Measure to the staked final grade, then {one}, if the rule below allows it; else stop and call."
        both = " or ".join(told) if told else "no length of the catalogue is likely"
        return f"Measure to the staked final grade, then set one of: {both}."
    if not told:
        return "No length is stated: ask the engineer before going out."
    final = float(a.clearance.after[row]) + pick.rises[0]
    end = f"; the flange then stands {words.above(final, inches, 'finished ground')}" if np.isfinite(final) else ""
    also = "dress the ground" if _dressable(a, miss) else "dressing does not mend it"
    dress = f", {off}: {also}" if off else ""
    return f"{told[0][0].upper()}{told[0][1:]}{end}{dress}."


def _out(pick: Pick, unit: str) -> str:
    """What comes out: the fitted length, or nothing; where it depends on the choice, for which."""
    if pick.options is None or not pick.which:
        return "nothing"
    lengths = [float(pick.options.out[k]) for k in pick.which]
    if not any(lengths):
        return "nothing"
    text = f"the fitted extension, {fitted_words(max(lengths), unit)}"
    return text if all(lengths) else f"{text}, if it is exchanged or taken out"


def _levels(a: Assessment, row: int, kind: str, pick: Pick, unit: str) -> Levels:
    window, undone = a.counted.decision.window, float(a.clearance.after[row])
    finals: tuple[tuple[str, float], ...] = ()
    if kind != Action.measure.name:
        finals = tuple((text, undone + rise) for text, rise in zip(said(pick, unit), pick.rises, strict=True))
        finals = finals or (("nothing", undone),)
    return Levels(
        now=float(a.clearance.before[row]),
        basis=Basis(int(a.clearance.basis[row])).name,
        moved=float(a.change.change[row]),
        undone=undone,
        finals=finals,
        low=float(window.low[row]),
        high=float(window.high[row]),
    )


def _checks(a: Assessment, row: int) -> tuple[str, ...]:
    """Check values as the catalogue gives them, each with its source; none of our own."""
    name, known = a.inputs.families[int(a.inputs.family[row])]
    if not known:
        return ()
    return tuple(f"{v.name}: {v.value} ({v.source})" for v in a.inputs.catalog.check_value if v.family == name)


def _cautions(a: Assessment, row: int, pick: Pick, dressed: bool) -> tuple[str, ...]:
    """The row's own cautions in words; those that rest on the choice are worked out anew where it was reviewed."""
    codes = cautions.codes(int(a.cautions[row]))
    if a.counted.decision.action[row] == Action.on_site:
        codes = [c for c in codes if c != words.DRESS]  # that would be the computed choice's
    if a.counted.reviewed[row]:
        codes = [c for c in codes if c not in ("dress", "outlet_low", "outlet_high", "second_extension")]
        codes += _after_review(a, row, pick, dressed)
    return tuple(words.FOR_THE_CREW.get(code, cautions.MEANING[code]) for code in codes)


def _after_review(a: Assessment, row: int, pick: Pick, dressed: bool) -> list[str]:
    policy = a.inputs.plan.policy
    outlet = float(a.inputs.hydrants.outlet[row])
    final = float(a.clearance.after[row]) + (pick.rises[0] if pick.rises else 0.0)
    over = outlet if policy.outlet_from == "flange" else final + outlet
    slack = 0.0 if policy.outlet_from == "flange" else policy.dressing.metres
    found = {
        "dress": dressed or (bool(pick.which) and _dressable(a, _miss(a, row, pick.rises))),
        "outlet_low": over < policy.outlet_min.metres - slack - 1e-9,
        "outlet_high": over > policy.outlet_max.metres + slack + 1e-9,
        "second_extension": pick.options is not None and any(int(pick.options.left[k]) >= 2 for k in pick.which),
    }
    return [code for code, there in found.items() if there]
