"""DXF drawings: cut short, of rubbish, or without ground."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

from tests.corpus import Project, bad
from tests.drawings import FT, at, write_dxf

DESIGN = 100.5 * FT


def _faces(space: Any, z: float = DESIGN, far: float = 0.0) -> None:
    corners = [at(-20 + far, -20, z), at(120 + far, -20, z), at(120 + far, 120, z), at(-20 + far, 120, z)]
    space.add_3dface(corners)


def _design(project: Project, draw: Callable[[Any], object] = _faces, insunits: int = 6) -> str:
    """A drawing as the design ground; its text."""
    project.plan["after"] = {"dxf": "design.dxf", "crs": "EPSG:32615", "unit": "m", "sd": "0.01 ft"}
    return write_dxf(project.folder / "design.dxf", draw, insunits).read_text(encoding="utf-8")


@bad("dxf")
def dxf_truncated(project: Project) -> None:
    """The drawing ends in the middle of its entities."""
    text = _design(project)
    project.raw("design.dxf", text[: text.index("3DFACE") + 60])


@bad("dxf")
def dxf_truncated_in_its_header(project: Project) -> None:
    """The drawing ends in its header."""
    project.raw("design.dxf", _design(project)[:400])


@bad("dxf")
def dxf_empty(project: Project) -> None:
    """The drawing has no bytes."""
    _design(project)
    project.raw("design.dxf", b"")


@bad("dxf")
def dxf_of_rubbish(project: Project) -> None:
    """The drawing is bytes without sense."""
    _design(project)
    project.raw("design.dxf", bytes(range(256)) * 300)


@bad("dxf")
def dxf_that_is_a_dwg(project: Project) -> None:
    """A drawing of the program's own kind was renamed."""
    _design(project)
    project.raw("design.dxf", b"AC1032\0\0\0\0\0" + b"\x7f\x80" * 4000)


@bad("dxf")
def dxf_without_ground(project: Project) -> None:
    """The drawing holds texts alone."""
    _design(project, lambda space: space.add_text("Sorrel St"))


@bad("dxf")
def dxf_of_flat_lines(project: Project) -> None:
    """The drawing's lines are breaklines at height 0: a plan view."""
    _design(project, lambda space: [space.add_line(at(0, y, 0), at(100, y, 0)) for y in (0, 40, 80)])
    project.section("after", lines="breaklines")


@bad("dxf")
def dxf_of_lines_that_nobody_explains(project: Project) -> None:
    """The drawing holds lines, and the plan does not say what they are."""
    _design(project, lambda space: space.add_line(at(0, 40, DESIGN), at(100, 40, DESIGN)))


@bad("dxf")
def dxf_header_in_other_units(project: Project) -> None:
    """The header says inches, the coordinates are metres."""
    _design(project, insunits=1)


@bad("dxf")
def dxf_without_unit_anywhere(project: Project) -> None:
    """Neither the header nor the plan says a unit."""
    _design(project, insunits=0)
    project.section("after", unit=None)


@bad("dxf")
def dxf_without_header(project: Project) -> None:
    """The drawing begins with its entities: no header, no tables."""
    text = _design(project)
    project.raw("design.dxf", "  0\nSECTION\n" + text[text.index("  2\nENTITIES") :])


@bad("dxf")
def dxf_far_away(project: Project) -> None:
    """The coordinates are a thousand million metres off."""
    _design(project, lambda space: _faces(space, far=1e9))


@bad("dxf")
def dxf_with_nan(project: Project) -> None:
    """A corner's height is no number."""
    text = _design(project)
    start = text.index("3DFACE")
    project.raw("design.dxf", text[:start] + text[start:].replace(f"\n{DESIGN}\n", "\nnan\n", 1))


@bad("dxf")
def dxf_with_commas(project: Project) -> None:
    """A corner's height has a comma for a decimal point."""
    text = _design(project)
    start = text.index("3DFACE")
    project.raw("design.dxf", text[:start] + text[start:].replace(f"\n{DESIGN}\n", "\n30,6324\n", 1))


@bad("dxf")
def dxf_of_blocks_without_end(project: Project) -> None:
    """A block holds itself."""

    def draw(space: Any) -> None:
        block = space.doc.blocks.new("TILE")
        block.add_3dface([at(0, 0, DESIGN), at(9, 0, DESIGN), at(9, 9, DESIGN)])
        block.add_blockref("TILE", (1, 1, 0))
        space.add_blockref("TILE", (0, 0, 0))

    _design(project, draw)


@bad("dxf")
def dxf_of_many_blocks(project: Project) -> None:
    """Blocks hold ten of one another, twelve levels deep."""

    def draw(space: Any) -> None:
        for i in range(12):
            block = space.doc.blocks.new(f"L{i}")
            for k in range(10):
                if i:
                    block.add_blockref(f"L{i - 1}", (k, 0, 0))
                else:
                    block.add_3dface([at(k, 0, DESIGN), at(k + 1, 0, DESIGN), at(k + 1, 9, DESIGN)])
        space.add_blockref("L11", (0, 0, 0))

    _design(project, draw)


@bad("dxf")
def dxf_of_a_layer_that_is_not_there(project: Project) -> None:
    """The plan names a layer that the drawing does not have."""
    _design(project)
    project.section("after", layers=["C-TINN-*"])


@bad("dxf")
def dxf_without_system(project: Project) -> None:
    """The plan does not say the drawing's reference system."""
    _design(project)
    project.section("after", crs=None)


@bad("dxf")
def dxf_in_latin_letters(project: Project) -> None:
    """A layer's name is in letters of another encoding than that of the drawing."""
    text = _design(project, lambda space: (space.doc.layers.add("GELAENDE"), _faces(space)))
    project.raw("design.dxf", text.replace("GELAENDE", "GELÄNDE").encode("latin-1"))
