"""LandXML designs: cut short, in the wrong letters, dangerous, or without what is asked of them."""

from __future__ import annotations

from tests.corpus import Project, bad
from tests.drawings import FT, design_profile, half, level, place, street, surface, write_landxml

DESIGN = 100.5 * FT
_BOX = [(-20.0, -20.0, DESIGN), (120.0, -20.0, DESIGN), (120.0, 120.0, DESIGN), (-20.0, 120.0, DESIGN)]
_FACES = [(0, 1, 2), (0, 2, 3)]


def _design(project: Project, *contents: str, unit: str | None = "meter", system: str | None = "32615") -> str:
    """A LandXML file as the design ground; its text."""
    project.plan["after"] = {"landxml": "design.xml", "sd": "0.01 ft"}
    path = write_landxml(project.folder / "design.xml", *contents, unit=unit, system=system)
    return path.read_text(encoding="utf-8")


def _whole(project: Project) -> str:
    return _design(project, surface(_BOX, _FACES))


def _road(project: Project, text: str) -> str:
    text = _design(project, text)
    project.section("after", section="street")
    return text


@bad("landxml")
def landxml_truncated(project: Project) -> None:
    """The file ends in the middle of a surface."""
    text = _whole(project)
    project.raw("design.xml", text[: len(text) * 2 // 3])


@bad("landxml")
def landxml_empty(project: Project) -> None:
    """The file has no bytes."""
    _whole(project)
    project.raw("design.xml", b"")


@bad("landxml")
def landxml_that_is_no_xml(project: Project) -> None:
    """A drawing's first lines bear the suffix of LandXML."""
    _whole(project)
    project.raw("design.xml", "  0\nSECTION\n  2\nHEADER\n")


@bad("landxml")
def landxml_of_another_kind(project: Project) -> None:
    """Well-formed XML that is no LandXML: a map's."""
    _whole(project)
    project.raw("design.xml", '<kml xmlns="http://www.opengis.net/kml/2.2"><Document/></kml>')


@bad("landxml")
def landxml_in_latin_letters(project: Project) -> None:
    """Letters with accents in an encoding that the file does not state."""
    text = _design(project, surface(_BOX, _FACES, name="Straße"))
    project.raw("design.xml", text.encode("latin-1"))


@bad("landxml")
def landxml_of_an_unknown_encoding(project: Project) -> None:
    """The encoding that the file states is known to nobody."""
    text = _whole(project)
    project.raw("design.xml", text.replace('version="1.0"', 'version="1.0" encoding="cad-1987"', 1))


@bad("landxml")
def landxml_with_utf16_stated(project: Project) -> None:
    """The file states UTF-16 and is UTF-8."""
    text = _whole(project)
    project.raw("design.xml", text.replace('version="1.0"', 'version="1.0" encoding="UTF-16"', 1))


@bad("landxml")
def landxml_with_an_entity_bomb(project: Project) -> None:
    """Entities that hold one another, a thousand million times."""
    text = _whole(project)
    levels = "".join(f'<!ENTITY e{i} "{f"&e{i - 1};" * 10}">' for i in range(1, 10))
    bomb = f'<!DOCTYPE LandXML [<!ENTITY e0 "1 ">{levels}]>'
    project.raw("design.xml", text.replace("?>", "?>" + bomb, 1).replace("<Pnts>", "<Pnts>&e9;"))


@bad("landxml")
def landxml_with_one_long_entity(project: Project) -> None:
    """One long entity, named ten thousand times."""
    text = _whole(project)
    bomb = f'<!DOCTYPE LandXML [<!ENTITY a "{"1 " * 50_000}">]>'
    project.raw("design.xml", text.replace("?>", "?>" + bomb, 1).replace("<Pnts>", "<Pnts>" + "&a;" * 10_000))


@bad("landxml")
def landxml_with_an_external_entity(project: Project) -> None:
    """An entity that stands for a file of the system."""
    text = _whole(project)
    declared = '<!DOCTYPE LandXML [<!ENTITY x SYSTEM "file:///etc/passwd">]>'
    project.raw("design.xml", text.replace("?>", "?>" + declared, 1).replace('name="FG"', 'name="FG" desc="&x;"'))


@bad("landxml")
def landxml_with_a_document_type_elsewhere(project: Project) -> None:
    """The document type is said to be on a network."""
    text = _whole(project)
    declared = '<!DOCTYPE LandXML SYSTEM "https://example.invalid/landxml.dtd">'
    project.raw("design.xml", text.replace("?>", "?>" + declared, 1))


@bad("landxml")
def landxml_nested_without_end(project: Project) -> None:
    """A feature holds a feature, two hundred thousand deep."""
    text = _whole(project)
    deep = "<Feature>" * 200_000 + "</Feature>" * 200_000
    project.raw("design.xml", text.replace("</LandXML>", deep + "</LandXML>"))


@bad("landxml")
def landxml_of_one_huge_text(project: Project) -> None:
    """A point's text is fifty million digits long."""
    text = _whole(project)
    project.raw("design.xml", text.replace('<P id="1">', '<P id="1">' + "9" * 50_000_000, 1))


@bad("landxml")
def landxml_with_huge_numbers(project: Project) -> None:
    """A point's height is 1e300."""
    _design(project, surface([(*_BOX[0][:2], 1e300), *_BOX[1:]], _FACES))


@bad("landxml")
def landxml_with_nan(project: Project) -> None:
    """A point's height is NaN."""
    text = _whole(project)
    project.raw("design.xml", text.replace(f"{DESIGN:.4f}</P>", "NaN</P>", 1))


@bad("landxml")
def landxml_with_decimal_commas(project: Project) -> None:
    """Numbers have commas for decimal points."""
    text = _whole(project)
    head, points = text.split("<Pnts>")
    body, tail = points.split("</Pnts>")
    project.raw("design.xml", f"{head}<Pnts>{body.replace('.', ',')}</Pnts>{tail}")


@bad("landxml")
def landxml_without_units(project: Project) -> None:
    """The file has no units."""
    _design(project, surface(_BOX, _FACES), unit=None)


@bad("landxml")
def landxml_of_an_unknown_unit(project: Project) -> None:
    """The file's unit is the rod."""
    _design(project, surface(_BOX, _FACES), unit="rod")


@bad("landxml")
def landxml_without_system(project: Project) -> None:
    """Neither the file nor the plan states a reference system."""
    _design(project, surface(_BOX, _FACES), system=None)


@bad("landxml")
def landxml_without_anything(project: Project) -> None:
    """The file holds units and nothing more."""
    _design(project)


@bad("landxml")
def landxml_of_several_surfaces(project: Project) -> None:
    """The file holds two surfaces, and the plan names none."""
    _design(project, half(DESIGN), half(DESIGN + 1, name="Subgrade"))


@bad("landxml")
def landxml_of_a_surface_by_another_name(project: Project) -> None:
    """The plan names a surface that the file does not hold."""
    _whole(project)
    project.section("after", surface="Finished Grade")


@bad("landxml")
def landxml_faces_without_points(project: Project) -> None:
    """Faces name points that are not there."""
    text = _whole(project)
    project.raw("design.xml", text.replace("<F>1 2 3</F>", "<F>1 2 33</F>"))


@bad("landxml")
def landxml_faces_without_area(project: Project) -> None:
    """All triangles have no area: their corners are in one line."""
    line = [(float(x), float(x), DESIGN) for x in (0, 50, 100)]
    _design(project, surface(line, [(0, 1, 2)]))


@bad("landxml")
def landxml_points_without_heights(project: Project) -> None:
    """A point of the surface has two coordinates."""
    text = _whole(project)
    project.raw("design.xml", text.replace(f" {DESIGN:.4f}</P>", "</P>", 1))


@bad("landxml")
def landxml_with_swapped_axes(project: Project) -> None:
    """Eastings stand before northings."""
    _design(project, surface(_BOX, _FACES, swap=True))


@bad("landxml")
def landxml_alignment_without_profile(project: Project) -> None:
    """The alignment has no profile."""
    _road(project, street(""))


@bad("landxml")
def landxml_profile_of_one_point(project: Project) -> None:
    """The profile has one point."""
    _road(project, street(design_profile(f"<PVI>0 {DESIGN:.4f}</PVI>")))


@bad("landxml")
def landxml_profile_backwards(project: Project) -> None:
    """Stations of the profile fall."""
    points = [f"<PVI>{s} {DESIGN:.4f}</PVI>" for s in (140, 70, 0)]
    _road(project, street(design_profile(*points)))


@bad("landxml")
def landxml_unknown_spiral(project: Project) -> None:
    """The alignment has a spiral of a kind that nobody knows."""
    spiral = (
        f'<Spiral length="140" radiusStart="INF" radiusEnd="300" rot="cw" spiType="wavy"><Start>{place(-20, 40)}'
        f"</Start><PI>{place(50, 40)}</PI><End>{place(120, 30)}</End></Spiral>"
    )
    _road(project, street(level(DESIGN), geometry=spiral))


@bad("landxml")
def landxml_of_a_road_by_another_name(project: Project) -> None:
    """The plan names an alignment that the file does not hold."""
    _road(project, street(level(DESIGN)))
    project.section("after", alignment="Sorrell Street")
