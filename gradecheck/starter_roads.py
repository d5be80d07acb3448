"""More sample jobs: a street by alignment, profile and section, one by profile lines alone, one by a drawing.

Yarrow Street is rebuilt: its line, profile and section over the existing raster, and triangulated finished
ground where it crosses Bramble Row. Of Bramble Row nobody has more than its profile before and after. Quince Court
is drawn as faces in three dimensions.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import numpy as np
import pyarrow as pa
import pyogrio.raw
import shapely
from ezdxf.addons.r12writer import r12writer

from gradecheck.probability import Floats
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.pieces import Piece, arc, clothoid, line

_FT = 0.3048
_HALF = 4.95
"""Metres from Yarrow Street's line to the back of its curb."""
_BAY = (820.0, 850.0, 930.0, 960.0)
"""Stations between which the right lane widens to a bus bay, is wide, and narrows again."""
_BAY_WIDE = 2.6
_CROSSING = (118.0, 162.0)
"""Stations of Yarrow Street between which its crossing with Bramble Row is designed as triangles."""

Ground = Callable[[Floats, Floats], Floats]


def write_roads(folder: Path, ground: Ground, origin: tuple[float, float], crs: str) -> None:
    """Write the files of both streets. ground: existing heights, feet, at town metres; origin: of those on the map."""
    road, elements = _yarrow()
    heights = _yarrow_profile(road, ground)
    _write_landxml(folder / "yarrow.xml", road, elements, heights, _crossing(road, heights), origin, crs)
    _write_edges(folder / "yarrow_edges.gpkg", road, origin, crs)
    _write_bramble(folder / "bramble.gpkg", ground, origin, crs)
    _write_quince(folder / "quince.dxf", ground, origin)


def _yarrow() -> tuple[Alignment, list[tuple[Piece, tuple[float, float] | None]]]:
    """The line in town metres: shifted south by a reverse curve, then turning away at its end. Arcs with centres."""
    first = line((60.0, 420.0), (500.0, 420.0))
    pieces: list[tuple[Piece, tuple[float, float] | None]] = [(first, None)]
    radius, turn = 1500.0, 0.028

    def on(x: float, y: float, heading: float, left: float) -> tuple[float, float]:
        return x - left * radius * np.sin(heading), y + left * radius * np.cos(heading)

    x, y = first.end
    centre = on(x, y, 0.0, -1)
    end = centre[0] + radius * np.sin(turn), centre[1] + radius * np.cos(turn)
    pieces.append((arc((x, y), centre, end, clockwise=True), centre))
    x, y = pieces[-1][0].end
    centre = on(x, y, -turn, 1)
    pieces.append((arc((x, y), centre, (centre[0], centre[1] - radius), clockwise=False), centre))
    x, y = pieces[-1][0].end
    pieces.append((line((x, y), (1000.0, y)), None))
    pieces.append((clothoid((1000.0, y), 0.0, 60.0, 0.0, -1 / 900), None))
    x, y = pieces[-1][0].end
    heading = -30.0 / 900
    pieces.append((line((x, y), (x + 75 * np.cos(heading), y + 75 * np.sin(heading))), None))
    return Alignment.joined("Yarrow Street", [p for p, _ in pieces]), pieces


def _yarrow_profile(road: Alignment, ground: Ground) -> list[tuple[float, float, float]]:
    """Station, height in metres and length of the parabola at each vertex: the old ground, smoothed and lifted."""
    stations = np.array([0.0, 150.0, 330.0, 520.0, 700.0, 880.0, road.last])
    lifts = np.array([0.0, 0.35, 0.9, 0.5, 0.45, 1.3, 0.0])
    x, y = road.points(stations, np.zeros(len(stations)))
    z = np.round((ground(x, y) + lifts) * _FT, 3)
    lengths = [0.0, 60.0, 80.0, 60.0, 80.0, 100.0, 0.0]
    return list(zip(np.round(stations, 3).tolist(), z.tolist(), lengths, strict=True))


def _heights(vertices: Sequence[tuple[float, float, float]], station: Floats) -> Floats:
    """Along the tangents, for the triangles of the crossing, whose stations no curve reaches by more than a hand."""
    s, z, _ = np.array(vertices).T
    return np.asarray(np.interp(station, s, z))


def _crossing(
    road: Alignment, vertices: Sequence[tuple[float, float, float]]
) -> tuple[Floats, list[tuple[int, int, int]]]:
    """Points (k, 3) in town metres and triangles: a flatter table of ground with its corners cut back."""
    stations = np.linspace(*_CROSSING, 12)
    offsets = np.array([-9.0, -4.95, -4.5, 0.0, 4.5, 4.95, 9.0])
    above = np.array([0.12, 0.06, -0.06, 0.0, -0.06, 0.06, 0.12])
    s, o = np.meshgrid(stations, offsets, indexing="ij")
    x, y = road.points(s.ravel(), o.ravel())
    z = _heights(vertices, s.ravel()) + np.tile(above, len(stations))
    wide = len(offsets)
    faces = []
    for i in range(len(stations) - 1):
        for j in range(wide - 1):
            a, b, c, d = i * wide + j, i * wide + j + 1, (i + 1) * wide + j, (i + 1) * wide + j + 1
            faces += [(a, c, b), (b, c, d)]
    return np.round(np.stack([x, y, z], axis=1), 3), faces


def _write_landxml(
    path: Path,
    road: Alignment,
    elements: Sequence[tuple[Piece, tuple[float, float] | None]],
    vertices: Sequence[tuple[float, float, float]],
    crossing: tuple[Floats, list[tuple[int, int, int]]],
    origin: tuple[float, float],
    crs: str,
) -> None:
    def place(xy: Sequence[float]) -> str:
        return f"{origin[1] + xy[1]:.6f} {origin[0] + xy[0]:.6f}"  # northing before easting

    geometry = []
    for piece, centre in elements:
        ends = f"<Start>{place((piece.x, piece.y))}</Start>", f"<End>{place(piece.end)}</End>"
        if centre is not None:
            way = "cw" if piece.curvature < 0 else "ccw"
            geometry.append(f'<Curve rot="{way}">{ends[0]}<Center>{place(centre)}</Center>{ends[1]}</Curve>')
        elif piece.sharpening:
            # The tangents meet where the way across from the end is used up along the first of them.
            turned = piece.heading + piece.sharpening * piece.length**2 / 2
            across = (piece.end[1] - piece.y) / np.tan(turned)
            spiral = f'spiType="clothoid" length="{piece.length:.3f}" radiusStart="INF" radiusEnd="900" rot="cw"'
            corner = f"<PI>{place((piece.end[0] - across, piece.y))}</PI>"
            geometry.append(f"<Spiral {spiral}>{ends[0]}{corner}{ends[1]}</Spiral>")
        else:
            geometry.append(f"<Line>{ends[0]}{ends[1]}</Line>")
    profile = [
        f'<ParaCurve length="{length:g}">{s:g} {z:.3f}</ParaCurve>' if length else f"<PVI>{s:g} {z:.3f}</PVI>"
        for s, z, length in vertices
    ]
    points, faces = crossing
    rows = [f'<P id="{i}">{place(p)} {p[2]:.3f}</P>' for i, p in enumerate(points.tolist(), start=1)]
    triangles = [f"<F>{a + 1} {b + 1} {c + 1}</F>" for a, b, c in faces]
    text = "\n".join(
        [
            '<?xml version="1.0" encoding="UTF-8"?>',
            '<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">',
            '<Units><Metric linearUnit="meter" areaUnit="squareMeter" volumeUnit="cubicMeter"/></Units>',
            f'<CoordinateSystem epsgCode="{crs.removeprefix("EPSG:")}"/>',
            '<Surfaces><Surface name="Yarrow and Bramble"><Definition surfType="TIN">',
            f"<Pnts>{''.join(rows)}</Pnts>",
            f"<Faces>{''.join(triangles)}</Faces>",
            "</Definition></Surface></Surfaces>",
            f'<Alignments><Alignment name="{road.name}" length="{road.last:.3f}" staStart="0">',
            "<CoordGeom>",
            *geometry,
            "</CoordGeom>",
            '<Profile><ProfAlign name="Yarrow Street design">',
            *profile,
            "</ProfAlign></Profile></Alignment></Alignments></LandXML>",
            "",
        ]
    )
    path.write_text(text, encoding="utf-8")


def _write_edges(path: Path, road: Alignment, origin: tuple[float, float], crs: str) -> None:
    """The new pavement: to the back of the curbs, wider along the bus bay."""
    stations = np.unique(np.concatenate([np.linspace(road.first, road.last, 240), _BAY]))
    widened = np.interp(stations, _BAY, [0.0, _BAY_WIDE, _BAY_WIDE, 0.0])
    left = np.stack(road.points(stations, np.full(len(stations), -_HALF)), axis=1)
    right = np.stack(road.points(stations, _HALF + widened), axis=1)
    ring = np.round(np.concatenate([left, right[::-1]]) + origin, 3)
    table = pa.table({"street": [road.name]})
    _write(path, "pavement", table, [shapely.Polygon(ring)], "Polygon", crs)


def _write_bramble(path: Path, ground: Ground, origin: tuple[float, float], crs: str) -> None:
    """Profile lines of Bramble Row in feet, before and after, as a survey crew and a designer gave them."""
    along = np.arange(0.0, 701.0, 20.0)
    x, y = np.full(len(along), 200.0), 60.0 + along
    old = np.round(ground(x, y), 2)
    lift = np.interp(along, [0, 90, 210, 330, 430, 540, 640, 700], [0.0, 0.15, 0.95, 1.5, 0.85, 0.0, -0.85, 0.0])
    for mode, layer, z in (("w", "before", old), ("a", "after", np.round(old + lift, 2))):
        shape = shapely.LineString(np.stack([x + origin[0], y + origin[1], z], axis=1))
        _write(path, layer, pa.table({"road": ["Bramble Row"]}), [shape], "LineString Z", crs, append=mode == "a")


def _write_quince(path: Path, ground: Ground, origin: tuple[float, float]) -> None:
    """Finished ground of Quince Court in metres, as faces, with its edges as lines."""
    along, across = np.arange(0.0, 301.0, 12.0), np.array([-9.0, -4.0, 0.0, 4.0, 9.0])
    s, o = np.meshgrid(along, across, indexing="ij")
    x, y = 860.0 + o, 260.0 + s
    lift = np.interp(s, [0, 60, 130, 210, 300], [0.0, 0.5, 1.05, 0.6, 0.0])
    z = np.round((ground(x, y) + lift - 0.02 * np.abs(np.abs(o) - 9.0) / _FT) * _FT, 3)
    corners = np.round(np.stack([x + origin[0], y + origin[1], z], axis=-1), 3)
    with r12writer(path) as drawing:
        for i in range(len(along) - 1):
            for j in range(len(across) - 1):
                ring = (corners[i, j], corners[i, j + 1], corners[i + 1, j + 1], corners[i + 1, j])
                drawing.add_3dface([tuple(c) for c in ring], layer="FINISHED")
        for j in (0, len(across) - 1):
            drawing.add_polyline([tuple(c) for c in corners[:, j]], layer="EDGES")


def _write(
    path: Path,
    layer: str,
    table: pa.Table,
    shapes: Sequence[shapely.Geometry],
    kind: str,
    crs: str,
    append: bool = False,
) -> None:
    geometry = pa.array([shapely.to_wkb(s) for s in shapes], pa.binary())
    pyogrio.raw.write_arrow(
        table.append_column("geom", geometry), path, layer=layer, driver="GPKG", geometry_name="geom",
        geometry_type=kind, crs=crs, append=append,
    )  # fmt: skip
