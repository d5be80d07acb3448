"""Long sections: existing and finished ground along a road, and which hydrants stand where along it."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import shapely

from gradecheck import reference
from gradecheck.assessment import Assessment
from gradecheck.probability import Floats, Ints
from gradecheck.surfaces import grain
from gradecheck.surroundings import RoadLine, Surroundings
from gradecheck.units import METRES
from gradecheck.walk import walk

_LOOKS = 240
"""Points along a section at which the ground is asked."""
_ASIDE = 40.0
"""Metres from a line within which a hydrant belongs to its section."""
_PAST = 10.0
"""Metres that a line through hydrants goes on past the outermost."""
_MOST = 24
_MOST_BLOCKS = 240
"""Sections that are drawn at most, those with the most hydrants, and blocks of a raster that they may cross."""
_CHAIN = 60
"""More hydrants than this that stand along no straight line make no section that anybody could read."""

ROAD = "along the road's line"
PLAN = "along the line of the paving plan"
STRAIGHT = "along a straight line through its hydrants"
CHAIN = "from hydrant to hydrant"


@dataclass(frozen=True, slots=True)
class LongSection:
    """One road. how: what line the section follows. first: station of its start, metres; 0 where it has none.

    length: metres. before, after: (k,) ground at even steps along the line, NaN unknown.
    rows, at: (h,) hydrants and where along the line they stand, rising.
    """

    name: str
    job: str
    how: str
    first: float
    length: float
    before: Floats
    after: Floats
    rows: Ints
    at: Floats

    @property
    def unknown(self) -> bool:
        """Whether the finished ground is known nowhere along it."""
        return bool(np.isnan(self.after).all())


@dataclass(frozen=True, slots=True)
class _Line:
    name: str
    job: str
    how: str
    first: float
    line: shapely.LineString
    rows: Ints


def long_sections(a: Assessment, around: Surroundings) -> tuple[list[LongSection], list[str]]:
    """A section for each road with hydrants of a job: design roads first, else streets, job by job.

    Also the names of those for which no line could be found.
    """
    reached = np.flatnonzero(~a.cases.outside).astype(np.int64)
    lines, rest = _by_road(a, around.roads, reached)
    lost: list[str] = []
    groups = _groups(a, rest)
    full = sorted((len(rows) for rows in groups.values()), reverse=True)[: 2 * _MOST][-1:]
    for (job, street), rows in groups.items():
        name = street or "Street not stated"
        if len(rows) < full[0]:  # no line need be found for what could not be among the fullest
            lost.append(f"{name} ({job}, {len(rows)}): others have more hydrants")
            continue
        line = _through(a, rows, [part for owner, part in around.limits if owner == job])
        if line is None:
            lost.append(f"{name} ({job}, {len(rows)})")
        else:
            lines.append(_Line(name, job, line[1], 0.0, line[0], rows))
    lines, more = _fullest(a, lines)
    lost += [f"{line.name} ({line.job}, {len(line.rows)}): others have more hydrants" for line in more]
    sections = _looked_at(a, lines)
    lost += [f"{s.name} ({s.job}, {len(s.rows)}): no finished ground along it" for s in sections if s.unknown]
    return [s for s in sections if not s.unknown], lost


def _fullest(a: Assessment, lines: list[_Line]) -> tuple[list[_Line], list[_Line]]:
    """The lines with the most hydrants, in their order, and the others."""
    ranked = sorted(range(len(lines)), key=lambda k: (-len(lines[k].rows), k))
    fetched = grain(a.inputs.before, a.inputs.after.surface)
    side = np.inf if fetched is None else min(fetched.width, fetched.height)
    crossed = np.cumsum([lines[k].line.length / side + 1 for k in ranked])
    kept = set(ranked[: max(1, min(_MOST, int((crossed <= _MOST_BLOCKS).sum())))])
    return [line for k, line in enumerate(lines) if k in kept], [line for k, line in enumerate(lines) if k not in kept]


def _by_road(a: Assessment, roads: Sequence[RoadLine], rows: Ints) -> tuple[list[_Line], Ints]:
    """Hydrants by the nearest road of the design files; those that none is near to are left over."""
    h, metre = a.inputs.hydrants, reference.metres_per_unit(a.inputs.work)
    if not roads or not len(rows):
        return [], rows
    tree = shapely.STRtree([road.line for road in roads])
    point, nearest = tree.query_nearest(
        shapely.points(h.x[rows], h.y[rows]), max_distance=_ASIDE / metre, all_matches=False
    )
    found = []
    for k, road in enumerate(roads):
        mine = rows[point[nearest == k]]
        if len(mine):
            first = road.alignment.label(road.alignment.first) * METRES[road.unit]
            jobs = dict.fromkeys(a.inputs.jobs.names[j] for j in a.job[mine].tolist())
            found.append(_Line(road.name, ", ".join(jobs), ROAD, first, road.line, mine))
    return found, np.setdiff1d(rows, rows[point])


def _groups(a: Assessment, rows: Ints) -> dict[tuple[str, str], Ints]:
    found: dict[tuple[str, str], list[int]] = defaultdict(list)
    for row in rows.tolist():
        found[a.inputs.jobs.names[int(a.job[row])], a.inputs.hydrants.street[row] or ""].append(row)
    return {key: np.array(members, dtype=np.int64) for key, members in found.items()}


def _through(a: Assessment, rows: Ints, parts: Sequence[shapely.Geometry]) -> tuple[shapely.LineString, str] | None:
    """The line that stands for a street: the paving plan's own, else straight through its hydrants, else a chain."""
    h, metre = a.inputs.hydrants, reference.metres_per_unit(a.inputs.work)
    xy = np.stack([h.x[rows], h.y[rows]], axis=1)
    own = [p for part in parts for p in shapely.get_parts(part) if shapely.get_dimensions(p) == 1]
    along = [p for p in own if _beside(p, xy, metre)]
    if along:
        return along[0], PLAN
    straight = _straight(xy, metre)
    if _beside(straight, xy, metre):
        return straight, STRAIGHT
    if len(rows) > _CHAIN:
        return None
    return shapely.LineString(xy[walk(xy[:, 0], xy[:, 1])]), CHAIN


def _beside(line: shapely.LineString, xy: Floats, metre: float) -> bool:
    return bool((shapely.distance(line, shapely.points(xy)) * metre <= _ASIDE).all())


def _straight(xy: Floats, metre: float) -> shapely.LineString:
    """Along the main direction of points (n, 2), a little past the outermost."""
    middle = xy.mean(axis=0)
    axis = np.linalg.svd(xy - middle, full_matrices=False)[2][0] if len(xy) > 1 else np.array([1.0, 0.0])
    axis = axis if tuple(axis) >= (0.0, 0.0) else -axis
    along = (xy - middle) @ axis
    past = _PAST / metre
    return shapely.LineString([middle + (along.min() - past) * axis, middle + (along.max() + past) * axis])


def _looked_at(a: Assessment, lines: Sequence[_Line]) -> list[LongSection]:
    """The ground along lines, all asked at once: what several cross is fetched once."""
    h, metre = a.inputs.hydrants, reference.metres_per_unit(a.inputs.work)
    if not lines:
        return []
    points = [shapely.line_interpolate_point(one.line, np.linspace(0.0, one.line.length, _LOOKS)) for one in lines]
    x, y = (np.ascontiguousarray(v) for v in shapely.get_coordinates(np.concatenate(points)).T)
    before, after = (g.heights(x, y).z.reshape(-1, _LOOKS) for g in (a.inputs.before, a.inputs.after.surface))
    found = []
    for line, old, new in zip(lines, before, after, strict=True):
        at = shapely.line_locate_point(line.line, shapely.points(h.x[line.rows], h.y[line.rows])) * metre
        order = np.argsort(at, kind="stable")
        found.append(
            LongSection(
                name=line.name,
                job=line.job,
                how=line.how,
                first=line.first,
                length=line.line.length * metre,
                before=old,
                after=new,
                rows=line.rows[order],
                at=np.asarray(at)[order],
            )
        )
    return found
