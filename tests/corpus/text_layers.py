"""Hydrants as delimited text: encodings, marks, separators, quotes, rows that do not fit."""

from __future__ import annotations

from tests.corpus import Project, bad
from tests.projects import EAST, NORTH

_HEAD = ("asset_id", "flange_in", "east", "north")
_ROWS = (("H-1", "4.0", 11, 23), ("H-2", "4.5", 37, 5), ("H-3", "10.25", 71, 62))


def _rows(separator: str = ",", first: str = "H-1") -> list[str]:
    """Lines of the table, its head first."""
    rows = [(i, flange, f"{EAST + x:.2f}", f"{NORTH + y:.2f}") for i, flange, x, y in _ROWS]
    rows[0] = (first, *rows[0][1:])
    return [separator.join(cells) for cells in (_HEAD, *rows)]


def _table(place: Project, content: str | bytes, name: str = "hydrants.csv", **stated: str) -> None:
    """A file of text that the plan names, with its columns and system."""
    place.raw(name, content)
    place.section("hydrants", **{"path": name, "x": "east", "y": "north", "crs": "EPSG:32615", **stated})


def _text(lines: list[str], end: str = "\n") -> str:
    return end.join(lines) + end


@bad("hydrants")
def text_without_coordinates(place: Project) -> None:
    """A CSV has addresses and no coordinates."""
    place.raw("hydrants.csv", "asset_id,flange_in,street\nH-1,4.0,1 Quince St\n")
    place.section("hydrants", path="hydrants.csv")


@bad("hydrants")
def text_coordinates_not_there(place: Project) -> None:
    """The plan names coordinate columns that a CSV does not have."""
    _table(place, _text(_rows()), x="easting")


@bad("hydrants")
def text_without_system(place: Project) -> None:
    """A CSV has coordinates and nothing says their system."""
    _table(place, _text(_rows()))
    place.section("hydrants", crs=None)


@bad("hydrants")
def text_swapped_columns(place: Project) -> None:
    """The plan names the columns of x and y the wrong way round."""
    _table(place, _text(_rows()), x="north", y="east")


@bad("hydrants")
def text_blank_coordinates(place: Project) -> None:
    """A row of a CSV has blank coordinates."""
    _table(place, _text([*_rows(), "H-4,5.0,,"]))


@bad("hydrants")
def text_words_for_coordinates(place: Project) -> None:
    """A row of a CSV says "see map" in place of a coordinate."""
    _table(place, _text([*_rows(), "H-4,5.0,see map,4600010"]))


@bad("hydrants")
def text_nan_coordinates(place: Project) -> None:
    """A row of a CSV says nan and inf in place of coordinates."""
    _table(place, _text([*_rows(), "H-4,5.0,nan,inf"]))


@bad("hydrants")
def text_decimal_commas(place: Project) -> None:
    """A CSV from a European spreadsheet: semicolons and decimal commas."""
    _table(place, _text(_rows(";")).replace(".", ","))


@bad("hydrants")
def text_thousands(place: Project) -> None:
    """Coordinates of a CSV have commas between thousands."""
    lines = [f'{i},{flange},"{EAST + x:,.2f}","{NORTH + y:,.2f}"' for i, flange, x, y in _ROWS]
    _table(place, _text([",".join(_HEAD), *lines]))


@bad("hydrants")
def text_cp1252(place: Project) -> None:
    """A CSV is in cp1252, and the plan does not say so."""
    _table(place, _text(_rows(first="Señal-1")).encode("cp1252"))


@bad("hydrants")
def text_cp1252_stated(place: Project) -> None:
    """A CSV is in cp1252, as the plan says."""
    _table(place, _text(_rows(first="Señal-1")).encode("cp1252"), encoding="cp1252")


@bad("hydrants")
def text_wrong_encoding_stated(place: Project) -> None:
    """The plan says ASCII of a CSV in UTF-8."""
    _table(place, _text(_rows(first="Señal-1")), encoding="ascii")


@bad("hydrants")
def text_unknown_encoding_stated(place: Project) -> None:
    """The plan says an encoding that is none."""
    _table(place, _text(_rows()), encoding="utf-88")


@bad("hydrants")
def text_no_text_encoding_stated(place: Project) -> None:
    """The plan says an encoding that is of bytes, not of text."""
    _table(place, _text(_rows()), encoding="base64")


@bad("hydrants")
def text_utf16(place: Project) -> None:
    """A CSV is in UTF-16, as a spreadsheet's Unicode text is."""
    _table(place, _text(_rows()).encode("utf-16"))


@bad("hydrants")
def text_with_mark(place: Project) -> None:
    """A CSV begins with a byte-order mark."""
    _table(place, b"\xef\xbb\xbf" + _text(_rows()).encode())


@bad("hydrants")
def text_invalid_bytes(place: Project) -> None:
    """A CSV in UTF-8 has bytes of nothing."""
    _table(place, _text(_rows()).encode().replace(b"H-2", b"H-\xff\xfe"))


@bad("hydrants")
def text_nul(place: Project) -> None:
    """A CSV has NUL bytes in a cell."""
    _table(place, _text(_rows()).replace("H-2", "H-\0002"))


@bad("hydrants")
def text_ragged(place: Project) -> None:
    """Rows of a CSV have a cell too few and one too many."""
    _table(place, _text([*_rows(), "H-4,5.0,500020", "H-5,5.0,500030,4600030,more,more"]))


@bad("hydrants")
def text_doubled_header(place: Project) -> None:
    """A CSV has one heading over two columns."""
    _table(place, _text(_rows()).replace("flange_in", "asset_id", 1))


@bad("hydrants")
def text_header_again(place: Project) -> None:
    """The headings of a CSV stand again amid its rows, after files were joined."""
    lines = _rows()
    _table(place, _text([*lines[:3], lines[0], *lines[3:]]))


@bad("hydrants")
def text_no_header(place: Project) -> None:
    """A CSV has no headings."""
    _table(place, _text(_rows()[1:]))


@bad("hydrants")
def text_title_above(place: Project) -> None:
    """A title and a blank row stand above the headings of a CSV."""
    _table(place, _text(["Hydrant inventory 2026,,,", ",,,", *_rows()]))


@bad("hydrants")
def text_header_only(place: Project) -> None:
    """A CSV has headings and no rows."""
    _table(place, _text(_rows()[:1]))


@bad("hydrants")
def text_empty_file(place: Project) -> None:
    """A CSV has no bytes."""
    _table(place, "")


@bad("hydrants")
def text_blank_rows(place: Project) -> None:
    """Blank rows and a row of commas stand in a CSV."""
    _table(place, _text([*_rows(), "", ",,,", ""]))


@bad("hydrants")
def text_open_quote(place: Project) -> None:
    """A quotation mark of a CSV is not closed, and swallows the rows after it."""
    _table(place, _text(_rows(first='"H-1')))


@bad("hydrants")
def text_inch_marks(place: Project) -> None:
    """Inch marks stand in cells of a CSV, unquoted."""
    _table(place, _text(_rows()).replace("10.25", '10.25"'))


@bad("hydrants")
def text_old_line_ends(place: Project) -> None:
    """Lines of a CSV end with carriage returns alone."""
    _table(place, _text(_rows(), "\r"))


@bad("hydrants")
def text_tabs_called_csv(place: Project) -> None:
    """A CSV is separated by tabs."""
    _table(place, _text(_rows("\t")))


@bad("hydrants")
def text_formulas(place: Project) -> None:
    """An id of a CSV is a formula."""
    _table(place, _text(_rows(first="\"=cmd|'/c calc'!A1\"")))


@bad("hydrants")
def text_leading_zeros(place: Project) -> None:
    """Ids of a CSV have leading zeros."""
    _table(place, _text(_rows(first="00017")))


@bad("hydrants")
def text_huge_cell(place: Project) -> None:
    """A cell of a CSV, amid twenty thousand rows, holds twelve million letters."""
    lines = [f"H-{i},4.{i % 9},{EAST + i % 97},{NORTH + i % 89}" for i in range(4, 20_000)]
    lines[10_000] = lines[10_000].replace(",", "," + "9" * 12_000_000, 1)
    _table(place, _text([*_rows(), *lines]))


@bad("hydrants")
def text_is_a_spreadsheet(place: Project) -> None:
    """A workbook was renamed to .csv."""
    _table(place, b"PK\x03\x04\x14\x00\x06\x00" + bytes(range(256)) * 4)


@bad("hydrants")
def text_is_a_web_page(place: Project) -> None:
    """A download gave the page of a login in place of a CSV."""
    _table(place, "<!DOCTYPE html>\n<html><head><title>Sign in</title></head><body>...</body></html>\n")


@bad("hydrants")
def text_degrees_minutes(place: Project) -> None:
    """Coordinates of a CSV are degrees, minutes and seconds."""
    lines = ["asset_id,flange_in,east,north", "H-1,4.0,92°59'59\"W,41°33'07\"N", "H-2,4.5,92°59'58\"W,41°33'06\"N"]
    _table(place, _text(lines), crs="EPSG:4326")


@bad("hydrants")
def text_west_without_sign(place: Project) -> None:
    """Longitudes of a CSV lack the minus of the west."""
    lines = ["asset_id,flange_in,east,north", "H-1,4.0,92.99987,41.55193", "H-2,4.5,92.99956,41.55177"]
    _table(place, _text(lines), crs="EPSG:4326")
