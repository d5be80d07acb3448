"""What the files of a ground are and hold, in words; readable files are told even where others stop a run."""

from __future__ import annotations

from collections.abc import Sequence
from contextlib import suppress
from pathlib import Path

import numpy as np

from gradecheck.errors import GradecheckError
from gradecheck.grounds import Ground, find_files, raster_files, reach
from gradecheck.layers import layer_names
from gradecheck.plan import Plan
from gradecheck.reference import name_of
from gradecheck.sources import SurfaceSource
from gradecheck.surfaces.collection import open_rasters
from gradecheck.surfaces.tiles import Tile

_MANY = 6


def span(axis: str, low: float, high: float) -> str:
    """An extent along one axis; degrees with more digits."""
    digits = 1 if max(abs(low), abs(high)) > 360 else 5
    return f"{axis} {low:.{digits}f} to {high:.{digits}f}"


def ground_facts(ground: Ground) -> tuple[str, ...]:
    """All sources of one side."""
    lines: list[str] = []
    told: set[str] = set()  # a file that serves twice is told once, the way it was read first
    for source in ground.sources:
        lines += tile_facts(source.tiles)
        for design in source.designs:
            lines += design.facts if design.shown not in told else ()
            told.add(design.shown)
    return tuple(lines) or ("none: flanges are surveyed",)


def tile_facts(tiles: Sequence[Tile]) -> list[str]:
    """Cells, unit, systems and extents of rasters."""
    lines = []
    for t in tiles[:_MANY]:
        a = t.grid
        right, bottom = a.c + a.a * t.width + a.b * t.height, a.f + a.d * t.width + a.e * t.height
        vertical = name_of(t.vertical) if t.vertical is not None else "not stated"
        lines += [
            f"{t.shown}: {t.width} x {t.height} cells of {np.hypot(a.a, a.d):g}, unit {t.unit}",
            f"  {name_of(t.crs)}, vertical {vertical}",
            f"  {span('x', a.c, right)}, {span('y', bottom, a.f)}",
        ]
    if len(tiles) > _MANY:
        lines.append(f"... and {len(tiles) - _MANY} more tiles")
    return lines


def design_facts(settings: SurfaceSource, path: Path, shown: str) -> tuple[str, ...]:
    """What a design file holds, whatever the plan makes of it."""
    if settings.kind == "landxml":
        from gradecheck.designs.landxml import landxml_facts
        from gradecheck.formats.landxml import read_landxml

        return landxml_facts(read_landxml(path, shown))
    if settings.kind == "dxf":
        from gradecheck.designs.dxf import dxf_facts
        from gradecheck.formats.dxf import read_dxf

        return dxf_facts(read_dxf(path, shown, settings.layers))
    layers = layer_names(path)
    return (f"{shown}: layers {', '.join(layers)}",) if layers else ()


def readable_facts(plan: Plan, settings: SurfaceSource, where: str) -> list[str]:
    """What can be told of a source although something stops the run."""
    lines: list[str] = []
    with suppress(GradecheckError):
        if settings.kind == "raster":
            found = raster_files(plan, settings, where)
            away, within = plan.project.allow_remote, reach(plan, settings)
            return tile_facts(open_rasters(found, settings.unit, None, None, away, [], [], within))
        for path, shown in find_files(plan, settings, where):
            with suppress(GradecheckError):
                lines += design_facts(settings, path, shown)
    return lines
