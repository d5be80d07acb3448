"""The ground and the flanges as built: a surface of any kind that a plan may name, or surveyed points."""

from __future__ import annotations

import os
import re
from dataclasses import dataclass, field, replace
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from pyproj import CRS

from gradecheck import checks, reference, surfaces, vertical
from gradecheck.errors import Finding, InputError, PlanError, listed
from gradecheck.fieldbook import owners
from gradecheck.fieldwork import owner_notes
from gradecheck.formats.shot_rows import WHERE, ShotRows, read_shot_rows
from gradecheck.grounds import Ground, open_ground
from gradecheck.groundwork import Setting, surface_of
from gradecheck.inputs import Inputs
from gradecheck.layers import layer_names
from gradecheck.locations import is_remote, shown
from gradecheck.plan import Plan
from gradecheck.probability import Floats, Ints
from gradecheck.shots import NEAR, Laid, Shots, laid
from gradecheck.sources import GroundSource
from gradecheck.surfaces.named import SUFFIXES
from gradecheck.units import UNIT_NAMES, Length, show, unit_named
from gradecheck.validation import build
from gradecheck.vertical import Moved

SD = Length(0.05, "ft")
"""Standard deviation of the ground as built, where none is stated."""
_POINTS = (".csv", ".tsv", ".txt", ".psv", ".gpkg", ".geojson", ".json", ".shp", ".fgb", ".gml", ".kml", ".parquet",
           ".sqlite", ".xlsx", ".ods")  # fmt: skip
_INCREDIBLE = 3.048
_APART = 0.1524
"""Metres: ground as built that is farther off the design, or whose points are farther apart, is not taken."""
_DXF = re.compile(rb"\s*(?:999\s.*\s)*0\s+SECTION", re.S)


@dataclass(frozen=True, slots=True)
class Given:
    """What the command was told of the survey: the file, and what it does not say itself.

    sd: of the ground; the default is `SD`, and is said to be assumed.
    """

    path: str
    unit: str | None = None
    crs: str | None = None
    surface: str | None = None
    sd: Length | None = None

    @property
    def shown(self) -> str:
        """The file's name for people."""
        return Path(self.path).as_posix()


def given(path: str, unit: str | None, crs: str | None, surface: str | None, sd: str | None) -> Given:
    """What the options say. Raises PlanError with every finding."""
    findings: list[Finding] = []
    named = None if unit is None else unit_named(unit)
    if unit is not None and named is None:
        findings.append(Finding("--asbuilt-unit", f"{unit!r} is no known unit", f"known: {', '.join(UNIT_NAMES)}"))
    error = None
    try:
        error = None if sd is None else Length.parse(sd)
        if error is not None and error.value < 0:
            findings.append(Finding("--asbuilt-sd", f"must not be negative: {error}", 'such as "0.05 ft"'))
    except ValueError as wrong:
        findings.append(Finding("--asbuilt-sd", str(wrong), 'such as "0.05 ft"'))
    if findings:
        raise PlanError(findings)
    return Given(path, named, crs, surface, error)


@dataclass(slots=True)
class AsBuilt:
    """What was surveyed at H hydrants, NaN where nothing was; metres.

    source: where each ground is from, or why there is none. days: when it was surveyed, None unknown. files: what was
    read. apart: (H,) between the points of one ground. notes, assumed: what must be said aloud.
    """

    ground: Floats
    ground_sd: Floats
    flange: Floats
    source: list[str]
    days: list[date | None]
    files: tuple[str, ...]
    apart: Floats = field(default_factory=lambda: np.zeros(0))
    notes: list[str] = field(default_factory=list)
    assumed: list[str] = field(default_factory=list)


def open_asbuilt(inputs: Inputs, given: Given, rows: Ints, design: Floats) -> AsBuilt:
    """The survey at the hydrants `rows` (n,); design: (H,) the ground that was planned. Raises InputError."""
    path = Path(given.path)
    if is_remote(given.path):
        what = f"the survey is read from this machine only: {shown(given.path)}"
        raise InputError(Finding(WHERE, what, "download it, and name the file"))
    if not path.exists():
        raise InputError(Finding(WHERE, f"no such file: {given.shown}", "check the path"))
    kind = kind_of(path)
    found = _points(inputs, given, path, rows) if kind == "points" else _surface(inputs, given, kind, rows)
    if given.sd is None:
        found.assumed.append(f"--asbuilt-sd = {SD}: the error of the ground as built is assumed")
    mistaken = checks.unit_mistaken(design[rows], found.ground[rows])
    if mistaken:
        what = mistaken.what.replace("after is", "ground as built is").replace("as before", "as the design")
        raise InputError(Finding(WHERE, f"{given.shown}: {what}", "state its true unit by --asbuilt-unit"))
    _doubtful(inputs, given, found, rows, design)
    far = np.abs(found.ground - design)[rows]
    if np.isfinite(far).sum() >= 3 and float(np.nanmedian(far)) > 1.0:
        found.notes.append(
            f"{given.shown}: the typical ground as built is {float(np.nanmedian(far)):.2f} m off the design: check its "
            "vertical datum and unit"
        )
    return found


def _doubtful(inputs: Inputs, given: Given, found: AsBuilt, rows: Ints, design: Floats) -> None:
    """Ground that no job leaves behind, or whose own points contradict one another, is not taken; told by name."""
    off = found.ground - design
    with np.errstate(invalid="ignore"):
        gone = np.isfinite(found.ground) & (np.abs(off) > _INCREDIBLE)
        torn = np.isfinite(found.ground) & ~gone & (found.apart > _APART)
    ids = inputs.hydrants.id
    for where, what, why in (
        (gone, "ground as built more than 10 ft off the design", "its unit, its datum or a blank written as 0?"),
        (torn, "points of one hydrant more than 0.5 ft apart in height", "which is its ground?"),
    ):
        mine = [row for row in rows.tolist() if where[row]]
        if not mine:
            continue
        found.notes.append(f"{given.shown}: {what}, not taken: {listed([ids[row] for row in mine])}: {why}")
        for row in mine:
            found.ground[row] = found.ground_sd[row] = np.nan
            found.source[row] = f"{what}: not taken"


def kind_of(path: Path) -> str:
    """raster, landxml, dxf or points: by the suffix, else by how the file begins."""
    suffix = path.suffix.lower()
    if path.is_dir() or suffix in SUFFIXES:
        return "raster"
    if suffix == ".gpkg" and not layer_names(path):
        return "raster"
    if suffix in _POINTS:
        return "points"
    with path.open("rb") as file:
        head = file.read(4000)
    if head.startswith((b"II*\0", b"MM\0*", b"II+\0", b"MM\0+")):
        return "raster"
    if b"LandXML" in head or suffix in (".xml", ".landxml"):
        return "landxml"
    if suffix == ".dxf" or _DXF.match(head):
        return "dxf"
    what = f"{path.name} is neither a raster, LandXML, a drawing nor a table or layer of points"
    raise InputError(Finding(WHERE, what, "give one of them, with its usual suffix"))


def _surface(inputs: Inputs, given: Given, kind: str, rows: Ints) -> AsBuilt:
    notes: list[str] = []
    ground = _opened(inputs, given, kind, notes)
    if any(design.roads and not design.meshes for source in ground.sources for design in source.designs):
        what = f"{given.shown} holds roads and no surface"
        raise InputError(Finding(WHERE, what, "give the ground as it was surveyed: triangles, a raster or points"))
    assumed = _one_datum(inputs.after_ground, ground, given)
    h = inputs.hydrants
    setting = Setting(inputs.work, inputs.work, h.x, h.y, 0.0, notes, inputs.upward)
    heights = surface_of(ground, setting).heights(h.x[rows], h.y[rows])
    notes.extend(setting.told)
    doubt = max((m.accuracy or 0.0 for m in setting.moved), default=0.0)
    n = len(h)
    z, sd = np.full(n, np.nan), np.full(n, np.nan)
    z[rows], sd[rows] = heights.z, np.hypot(heights.sd, doubt)
    source = ["" for _ in range(n)]
    for row, text in zip(rows.tolist(), surfaces.words(heights.source, heights.names), strict=True):
        source[row] = text
    return AsBuilt(z, sd, np.full(n, np.nan), source, [None] * n, ground.files, np.zeros(n), notes, assumed)


def _opened(inputs: Inputs, given: Given, kind: str, notes: list[str]) -> Ground:
    """The file as a ground; the design's unit and systems stand in where it says none of its own."""
    after = inputs.plan.after
    own = {"unit": given.unit, "crs": given.crs, "surface": given.surface if kind == "landxml" else None}
    lent = {"unit": after.unit, "vertical": after.vertical, "crs": after.crs}
    if kind == after.kind == "landxml":
        lent["surface"] = after.surface
    tries = [{**lent, **_stated(own)}, {**own, "vertical": after.vertical}, own]
    first: InputError | None = None
    for values in tries:
        said: list[str] = []
        try:
            ground = open_ground(inputs.plan, _source(inputs.plan, given, kind, values), WHERE, said)
        except InputError as error:
            first = first or error
            continue
        notes.extend(said)
        return ground
    findings = first.findings if first is not None else ()
    raise InputError([replace(f, mend=_by_options(f.mend)) for f in findings])


def _by_options(mend: str) -> str:
    """How to mend in the words of the command, not of a plan."""
    if "axes" in mend:
        return "exchange northing and easting in the file"
    for key in ("unit", "crs", "surface"):
        if f"`{key}`" in mend or f"{key} = " in mend:
            return f"state it by --asbuilt-{key}"
    return mend


def _stated(values: dict[str, Any]) -> dict[str, Any]:
    return {key: value for key, value in values.items() if value is not None}


def _source(plan: Plan, given: Given, kind: str, values: dict[str, Any]) -> GroundSource:
    """A source of ground as a plan would name it, relative to its folder. Raises InputError."""
    try:
        path = os.path.relpath(given.path, plan.folder)
    except ValueError:  # on another drive
        path = str(Path(given.path).absolute())
    source, findings = build(GroundSource, {kind: path, "sd": str(given.sd or SD), **_stated(values)}, WHERE)
    if source is None:
        raise InputError(findings)
    return source


def _one_datum(after: Ground, ground: Ground, given: Given) -> list[str]:
    """What is assumed of the vertical datum where not both say it."""
    named = [v for _, v in after.systems if v is not None]
    mine = [v for _, v in ground.systems if v is not None]
    if named and mine:
        return []
    odd = [d for source in ground.sources for d in source.designs if d.named]
    if named and odd:
        what = f"names its vertical datum '{odd[0].named}', which is not understood"
        raise InputError(Finding(given.shown, what, "give it in the design's vertical system"))
    return [f"{given.shown}: vertical reference taken as that of the design"]


# -- points -----------------------------------------------------------------------------------------------------


def _points(inputs: Inputs, given: Given, path: Path, rows: Ints) -> AsBuilt:
    read = read_shot_rows(path, given.shown, given.unit)
    h = inputs.hydrants
    n = len(h)
    named = [k for k, name in enumerate(read.ids) if name]
    whose = owners([read.ids[k] for k in named], h.id)
    owner = np.full(len(read.z), -1, dtype=np.int64)
    owner[named] = [row if row >= 0 else -2 for row in whose.rows]
    crs, upward, assumed = _system(inputs, given, read)
    metre = reference.metres_per_unit(inputs.work)
    x, y = _moved(read, crs, inputs.work, metre)
    reached = np.zeros(n, dtype=bool)
    reached[rows] = True
    z, moved = _lifted(inputs, given, read.z, (x / metre, y / metre), owner, (crs, upward))
    found = laid(Shots(z, read.flange, x, y, owner), h.x * metre, h.y * metre, reached)
    notes = [*read.notes, *owner_notes(whose, given.shown), *_told(given, read, found, owner)]
    if caveat := reference.Path.between(crs, inputs.work).caveat(read.x, read.y):
        notes.append(f"{given.shown}: {caveat}")
    if moved is not None:
        notes.append(moved.text)
    elif upward is None:
        assumed.append(f"{given.shown}: heights taken on the design's vertical datum")
    doubt = 0.0 if moved is None else moved.accuracy or 0.0
    sd = np.where(np.isfinite(found.ground), np.hypot((given.sd or SD).metres, doubt), np.nan)
    days: list[date | None] = [None] * n
    for k, day in enumerate(read.days):
        if owner[k] >= 0 and day is not None:
            days[owner[k]] = max(day, days[owner[k]] or day)
    source = [_origin(given, found, row) if reached[row] else "" for row in range(n)]
    return AsBuilt(found.ground, sd, found.flange, source, days, (given.path,), found.spread, notes, assumed)


def _lifted(
    inputs: Inputs,
    given: Given,
    z: Floats,
    at: tuple[Floats, Floats],
    owner: Ints,
    systems: tuple[CRS, CRS | None],
) -> tuple[Floats, Moved | None]:
    """Heights (P,) in the design's vertical system, and how they came there; a point without a place is its hydrant's.

    at: (P,) places in the working system. systems: of the places and of the heights. Raises InputError.
    """
    crs, upward = systems
    if upward is None or inputs.upward is None:
        return z, None
    h = inputs.hydrants
    mine = np.clip(owner, 0, None)
    x = np.where(np.isfinite(at[0]), at[0], np.where(owner >= 0, h.x[mine], np.nan))
    y = np.where(np.isfinite(at[1]), at[1], np.where(owner >= 0, h.y[mine], np.nan))
    rows = np.flatnonzero(np.isfinite(z) & np.isfinite(x))
    found = vertical.lift(upward, inputs.upward, crs, inputs.work, x[rows], y[rows], given.shown)
    if found is None or not len(rows):
        return z, None
    out = np.full(len(z), np.nan)
    out[rows] = found.heights(x[rows], y[rows], z[rows])
    return out, vertical.moved(found, upward, inputs.upward, x[rows], y[rows], "as built", given.shown)


def _system(inputs: Inputs, given: Given, read: ShotRows) -> tuple[CRS, CRS | None, list[str]]:
    """The systems of the points' coordinates and heights, and what is assumed of them. Raises InputError."""
    stated = None if given.crs is None else reference.crs_named(given.crs, "--asbuilt-crs")
    if read.crs is not None and stated is not None and not read.crs.equals(stated, ignore_axis_order=True):
        what = f"{given.shown} says {reference.name_of(read.crs)}, the option {reference.name_of(stated)}"
        raise InputError(Finding("--asbuilt-crs", what, "leave it out or mend the file"))
    crs = read.crs or stated
    if crs is not None:
        horizontal, upward = reference.split(crs)
        if upward is not None:
            reference.vertical_unit(upward, given.shown)
        return horizontal or crs, upward, []
    layer = reference.split(inputs.hydrants.crs)[0] or inputs.hydrants.crs
    if not np.isfinite(read.x).any():
        return layer, None, []
    return layer, None, [f"{given.shown}: coordinates taken in {reference.name_of(layer)}, that of the hydrants"]


def _moved(read: ShotRows, crs: CRS, work: CRS, metre: float) -> tuple[Floats, Floats]:
    """Points in metres of the working system, NaN where they have no place."""
    x, y = np.full(len(read.z), np.nan), np.full(len(read.z), np.nan)
    placed = np.isfinite(read.x) & np.isfinite(read.y)
    if placed.any():
        path = reference.Path.between(crs, work)
        trouble = path.trouble(read.x[placed], read.y[placed])
        if trouble is not None:
            raise InputError(Finding(read.shown, *trouble))
        px, py = path.there(read.x[placed], read.y[placed])
        x[placed], y[placed] = np.asarray(px) * metre, np.asarray(py) * metre
    gone = ~np.isfinite(x) | ~np.isfinite(y)
    x[gone] = y[gone] = np.nan
    return x, y


def _told(given: Given, read: ShotRows, found: Laid, owner: Ints) -> list[str]:
    notes = []
    far = found.unused & ~read.flange & (owner == -1)
    if far.any():
        verb = "serves" if far.sum() == 1 else "serve"
        notes.append(
            f"{given.shown}: {_counted(int(far.sum()), 'ground point')} without an id {verb} nobody, farther than "
            f"{NEAR:g} m from every hydrant that a job reaches and that has no point of its own"
        )
    lone = found.unused & read.flange & (owner == -1)
    if lone.any():
        notes.append(
            f"{given.shown}: {_counted(int(lone.sum()), 'flange point')} without a hydrant_id passed over: a flange's "
            "height needs its hydrant's id"
        )
    if found.astray.any():
        names = listed(dict.fromkeys(read.ids[k] for k in np.flatnonzero(found.astray).tolist()))
        notes.append(f"{given.shown}: points lie more than 5 m from the hydrant whose id they have: {names}")
    return notes


def _origin(given: Given, found: Laid, row: int) -> str:
    if not np.isfinite(found.ground[row]):
        return "no point of its ground was surveyed"
    count = _counted(int(found.points[row]), "point")
    how = "with its id" if found.by_id[row] else f"within {NEAR:g} m"
    spread = f", {show(float(found.spread[row]), 'ft')} apart in height" if found.spread[row] > 1e-3 else ""
    return f"{given.shown}: {count} {how}{spread}"


def _counted(n: int, noun: str) -> str:
    return f"1 {noun}" if n == 1 else f"{n} {noun}s"
