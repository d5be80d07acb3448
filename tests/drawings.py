"""Small design files for the square of `tests/projects.py`: LandXML as text, DXF and lines through their libraries."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

import ezdxf
import geopandas as gpd
import shapely

from tests.projects import CRS, EAST, NORTH

FT = 0.3048
STREET = ((-20.0, 40.0), (120.0, 40.0))
"""A street due east through the square, 40 m up."""


def place(x: float, y: float, swap: bool = False) -> str:
    """A LandXML point of metres in the square: northing before easting."""
    north, east = f"{NORTH + y:.4f}", f"{EAST + x:.4f}"
    return f"{east} {north}" if swap else f"{north} {east}"


def surface(
    corners: Sequence[tuple[float, float, float]],
    faces: Sequence[tuple[int, int, int]],
    name: str = "FG",
    swap: bool = False,
) -> str:
    """A triangulated surface; heights in metres, faces from 0."""
    points = "".join(f'<P id="{i}">{place(x, y, swap)} {z:.4f}</P>' for i, (x, y, z) in enumerate(corners, start=1))
    triangles = "".join(f"<F>{a + 1} {b + 1} {c + 1}</F>" for a, b, c in faces)
    definition = f'<Definition surfType="TIN"><Pnts>{points}</Pnts><Faces>{triangles}</Faces></Definition>'
    return f'<Surfaces><Surface name="{name}">{definition}</Surface></Surfaces>'


def half(z: float, name: str = "FG", east: float = 50.0, swap: bool = False) -> str:
    """Level ground over the square's west, as far as `east` and 20 m around."""
    box = [(-20, -20, z), (east, -20, z), (east, 120, z), (-20, 120, z)]
    return surface(box, [(0, 1, 2), (0, 2, 3)], name, swap)


def street(vertical: str, name: str = "Sorrel St", geometry: str | None = None) -> str:
    """An alignment along `STREET` (station 0 at x -20) with what stands in its Profile element."""
    line = f"<Line><Start>{place(*STREET[0])}</Start><End>{place(*STREET[1])}</End></Line>"
    return (
        f'<Alignments><Alignment name="{name}" staStart="0" length="140"><CoordGeom>{geometry or line}</CoordGeom>'
        f"<Profile>{vertical}</Profile></Alignment></Alignments>"
    )


def design_profile(*vertices: str, name: str = "design") -> str:
    """A design profile of PVI and curves as written."""
    return f'<ProfAlign name="{name}">{"".join(vertices)}</ProfAlign>'


def level(z: float) -> str:
    """A level design profile."""
    return design_profile(f"<PVI>0 {z:.4f}</PVI>", f"<PVI>140 {z:.4f}</PVI>")


def ground_profile(z: float) -> str:
    """Existing ground along the line."""
    return f'<ProfSurf name="ground"><PntList2D>0 {z:.4f} 70 {z:.4f} 140 {z:.4f}</PntList2D></ProfSurf>'


def write_landxml(path: Path, *contents: str, unit: str | None = "meter", system: str | None = "32615") -> Path:
    """A LandXML 1.2 document."""
    units = f'<Units><Metric linearUnit="{unit}"/></Units>' if unit == "meter" else ""
    if unit not in (None, "meter"):
        units = f'<Units><Imperial linearUnit="{unit}"/></Units>'
    where = f'<CoordinateSystem epsgCode="{system}"/>' if system else ""
    head = '<?xml version="1.0"?><LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">'
    path.write_text(f"{head}{units}{where}{''.join(contents)}</LandXML>", encoding="utf-8")
    return path


def write_dxf(path: Path, draw: Callable[[ezdxf.layouts.Modelspace], object], insunits: int = 6) -> Path:
    """A drawing; the header's unit is metres (6) unless told otherwise."""
    document = ezdxf.new("R2010")
    document.header["$INSUNITS"] = insunits
    draw(document.modelspace())
    document.saveas(path)
    return path


def at(x: float, y: float, z: float) -> tuple[float, float, float]:
    """A corner of a drawing, metres in the square."""
    return EAST + x, NORTH + y, z


def write_lines(path: Path, lines: dict[str, Sequence[tuple[float, ...]]], layer: str = "lines") -> Path:
    """Lines by road, 2D or 3D, metres in the square; heights as given."""
    shapes = [shapely.LineString([(EAST + p[0], NORTH + p[1], *p[2:]) for p in points]) for points in lines.values()]
    gpd.GeoDataFrame({"road": list(lines)}, geometry=shapes, crs=CRS).to_file(path, layer=layer)
    return path
