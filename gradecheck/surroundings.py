"""What lies about the hydrants for people to see: limits of work, roads of the design files, the new pavement.

Pure: geometries of the working system out of opened inputs.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import shapely

from gradecheck import reference
from gradecheck.grounds import Ground
from gradecheck.inputs import Inputs
from gradecheck.roads.alignment import Alignment
from gradecheck.units import METRES

_SAGITTA = 0.02
"""Metres within which chords follow a road's curves."""


@dataclass(frozen=True, eq=False)
class RoadLine:
    """A road of a design file. file: where it is from. line: in the working system.

    alignment: its own, in the file's system; unit: of its plan coordinates.
    design: of the after ground, not the existing.
    """

    name: str
    file: str
    line: shapely.LineString
    alignment: Alignment
    unit: str
    design: bool

    @property
    def length(self) -> float:
        """Metres along the road."""
        return float((self.alignment.last - self.alignment.first) * METRES[self.unit])


@dataclass(frozen=True, eq=False)
class Surroundings:
    """limits: (job, part of the paving plan), polygons or lines, in the order of the plan.

    roads: of the after ground, and of the existing where that has none. pavement: areas, else lines; None not given.
    """

    limits: tuple[tuple[str, shapely.Geometry], ...]
    roads: tuple[RoadLine, ...]
    pavement: shapely.Geometry | None


def surroundings(inputs: Inputs) -> Surroundings:
    """What the inputs say of the places about the hydrants."""
    jobs, given = inputs.jobs, inputs.pavement
    limits = tuple((jobs.names[owner], part) for part, owner in zip(jobs.parts, jobs.owner, strict=True))
    pavement = None if given is None else given.areas if given.areas is not None else given.edges
    roads = _roads(inputs.after_ground, inputs, design=True) or _roads(inputs.before_ground, inputs, design=False)
    return Surroundings(limits, roads, pavement)


def _roads(ground: Ground, inputs: Inputs, *, design: bool) -> tuple[RoadLine, ...]:
    found = []
    for file in (file for source in ground.sources for file in source.designs):
        path = reference.Path.between(inputs.work, file.crs)
        for road in file.roads:
            xy = road.alignment.densified(_SAGITTA / METRES[file.unit])[0]
            line = shapely.LineString(np.stack(path.back(xy[:, 0], xy[:, 1]), axis=1))
            found.append(RoadLine(road.alignment.name, file.shown, line, road.alignment, file.unit, design))
    return tuple(found)
