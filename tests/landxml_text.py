"""Small LandXML files for tests: pieces of text put together, written and read."""

from __future__ import annotations

from gradecheck.errors import InputError
from gradecheck.formats.landxml import read_landxml

METRES = '<Units><Metric linearUnit="meter" elevationUnit="feet"/></Units>'
SCHEMA = "http://www.landxml.org/schema/LandXML-1.2"
# Northing 0..10, easting 100..120: no flipped axis can pass.
SQUARE = '<P id="1">0 100 5</P><P id="2">10 100 6</P><P id="3">10 120 8</P><P id="4">0 120 7</P>'


def document(*parts, units=METRES, root=f'xmlns="{SCHEMA}" version="1.2"', head='<?xml version="1.0"?>\n'):
    """A file: `parts` inside the root."""
    return f"{head}<LandXML {root}>{units}{''.join(parts)}</LandXML>"


def surface(points=SQUARE, faces="<F>1 2 3</F><F>1 3 4</F>", name="FG", kind='surfType="TIN"', before=""):
    """A surface of points and faces given as text."""
    definition = f"<Definition {kind}><Pnts>{points}</Pnts><Faces>{faces}</Faces></Definition>"
    return f'<Surfaces><Surface name="{name}">{before}{definition}</Surface></Surfaces>'


def alignment(*elements, after="", said='name="Elm St" staStart="1000"'):
    """An alignment of elements given as text; `after` follows them (profiles, sections, equations)."""
    return f"<Alignments><Alignment {said}><CoordGeom>{''.join(elements)}</CoordGeom>{after}</Alignment></Alignments>"


def line(start, end):
    """A line from text to text, "northing easting"."""
    return f"<Line><Start>{start}</Start><End>{end}</End></Line>"


LINE = line("0 0", "0 100")


def read(folder, text, surfaces=True, encoding="utf-8"):
    """What a text reads as."""
    path = folder / "design.xml"
    path.write_bytes(text if isinstance(text, bytes) else text.encode(encoding))
    return read_landxml(path, "design.xml", surfaces)


def wrong(folder, text, **options):
    """The findings about a text that is wrong, each as one string."""
    try:
        got = read(folder, text, **options)
    except InputError as error:
        return [str(finding) for finding in error.findings]
    raise AssertionError(f"read without a finding: {got}")


def road(folder, *elements, **options):
    """The one road of an alignment."""
    (only,) = read(folder, document(alignment(*elements, **options))).roads
    return only
