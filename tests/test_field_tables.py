"""Forms that crews filled in, as spreadsheets save them: read against pandas, hand-worked cells and made-up bytes."""

from __future__ import annotations

import io
import math
from contextlib import suppress
from datetime import date, datetime
from pathlib import Path

import geopandas as gpd
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from gradecheck.errors import InputError
from gradecheck.fieldbook import Entry, owners
from gradecheck.formats.dates import parse_date, parse_moment
from gradecheck.formats.field_rows import COLUMNS, Reading, read_field_rows
from gradecheck.formats.shot_rows import read_shot_rows
from gradecheck.formats.text_tables import number

IN, FT = 0.0254, 0.3048
HEAD = ",".join(COLUMNS)
UNITS = ",YYYY-MM-DD,in,ft,in,in,in,,yes/no,yes/no,YYYY-MM-DD hh:mm,YYYY-MM-DD hh:mm,"


def book(folder: Path, text: str | bytes, **how: str):
    path = folder / "m.csv"
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return read_field_rows(path, "m.csv", Reading("measurements.path", **how))


def only(folder: Path, cells: str, **how: str) -> Entry:
    (entry,) = book(folder, f"{HEAD}\n{UNITS}\n{cells}\n", **how).entries
    return entry


def findings(error: pytest.ExceptionInfo[InputError]) -> str:
    return "\n".join(str(f) for f in error.value.findings)


def test_the_columns_stay_those_of_forms_that_crews_have_already() -> None:
    first = "hydrant_id,date,clearance,flange_elevation,outlet_height,length_fitted,length_taken_out,part_number"
    assert f"{first},drain_ok,leak_ok,out_at,back_at,note" == HEAD


def test_a_row_is_read_with_the_units_of_the_second_row(tmp_path: Path) -> None:
    e = only(tmp_path, "H-1,2027-04-03,4.25,918.5,24,6,12,Q-6,yes,no,2027-04-03 08:15,2027-04-03 09:00,a note")
    # 4.25 in = 0.10795 m; 918.5 ft = 279.9588 m; 24 in = 0.6096 m; 6 in = 0.1524 m; 12 in = 0.3048 m
    assert (e.clearance, e.flange, e.height) == pytest.approx((0.10795, 279.9588, 0.6096))
    assert (e.put_in, e.taken_out) == pytest.approx((0.1524, 0.3048))
    assert (e.hydrant_id, e.on, e.part, e.drain, e.leak, e.note) == (
        "H-1",
        date(2027, 4, 3),
        "Q-6",
        True,
        False,
        "a note",
    )
    assert (e.out_at, e.back_at) == (datetime(2027, 4, 3, 8, 15), datetime(2027, 4, 3, 9, 0))
    assert e.work
    assert e.line == 3


@pytest.mark.parametrize("column", ["length_taken_out", "part_number", "out_at", "back_at"])
def test_a_row_filled_in_after_work_tells_of_work(column: str, tmp_path: Path) -> None:
    cells = dict.fromkeys(COLUMNS, "") | {"hydrant_id": "H-1", "clearance": "4"}
    assert not only(tmp_path, ",".join(cells.values())).work
    assert only(tmp_path, ",".join((cells | {column: "6"}).values())).work


def test_what_a_european_spreadsheet_saves_says_the_same_as_the_form(tmp_path: Path) -> None:
    plain = f"{HEAD}\n{UNITS}\n0012,2027-04-03,4.5,1319.85,24,6,,,,,,,\n\nH-2,2027-04-04,3,,,,,,,,,,\n"
    table = pd.read_csv(io.StringIO(plain), dtype=str, keep_default_na=False)
    table["clearance"] = table["clearance"].str.replace(".", ",")
    table["flange_elevation"] = table["flange_elevation"].replace("1319.85", "1.319,85")
    table["extra"] = "x"
    saved = table.to_csv(sep=";", index=False) + ";;;;;;;;;;;;;\r\n"
    want, got = book(tmp_path, plain), book(tmp_path, b"\xef\xbb\xbf" + saved.replace("\n", "\r\n").encode())
    # repr: the numbers of blank cells are NaN, which no NaN equals
    assert [repr(e).replace("line=4", "line=5") for e in got.entries] == [repr(e) for e in want.entries]
    assert got.entries[0].hydrant_id == "0012"
    assert book(tmp_path, saved.encode("utf-16")).entries[0].clearance == pytest.approx(4.5 * IN)


def test_blank_rows_are_counted_and_rows_without_an_id_are_told(tmp_path: Path) -> None:
    found = book(tmp_path, f"{HEAD}\n{UNITS}\nH-1,,,,,,,,,,,,\n\n,,4,,,,,,,,,,\nH-2,,4,,,,,,,,,,\n")
    assert (len(found.entries), found.blank) == (1, 1)
    assert "1 row is passed over, with values and no hydrant_id: line 5" in " ".join(found.notes)


def test_the_row_of_units_is_found_where_sorting_put_it(tmp_path: Path) -> None:
    found = book(tmp_path, f"{HEAD}\nH-1,,100,,,,,,,,,,\n,,mm,m,mm,mm,mm,,,,,,\n")
    assert found.entries[0].clearance == pytest.approx(0.1)


def test_a_date_that_may_be_two_days_is_passed_over_by_name_until_its_order_is_stated(tmp_path: Path) -> None:
    text = f"{HEAD}\n{UNITS}\nH-1,03/04/2027,4,,,,,,,,,,\nH-2,04/13/2027,4,,,,,,,,,,\n"
    found = book(tmp_path, text)
    assert [e.hydrant_id for e in found.entries] == ["H-2"]
    assert "H-1 (line 3)" in found.notes[0]
    assert "date_order" in found.notes[0]
    assert book(tmp_path, text, order="mdy").entries[0].on == date(2027, 3, 4)
    stated = book(tmp_path, text, order="dmy")
    assert stated.entries[0].on == date(2027, 4, 3)
    assert len(stated.refused) == 1  # there is no 13th month


@pytest.mark.parametrize(
    ("text", "day"),
    [
        ("2027-04-03", (2027, 4, 3)), ("2027/4/3", (2027, 4, 3)), ("2027-04-03T10:20:00Z", (2027, 4, 3)),
        ("4/13/2027", (2027, 4, 13)), ("13.4.2027", (2027, 4, 13)), ("3/3/2027", (2027, 3, 3)),
        ("3-Apr-27", (2027, 4, 3)), ("3 April 2027", (2027, 4, 3)), ("Apr 3, 2027", (2027, 4, 3)),
        ("4/13/2027 2:05 PM", (2027, 4, 13)),
    ],
)  # fmt: skip
def test_dates_that_mean_one_day_are_read(text: str, day: tuple[int, int, int]) -> None:
    assert parse_date(text) == date(*day)


@pytest.mark.parametrize(
    "text", ["3/4/2027", "03.04.2027", "4/13/27", "2027-13-01", "2027-02-30", "46115", "spring", "Ma 3, 2027"]
)
def test_dates_that_mean_two_days_or_none_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"may mean two days|is no date|is a day that is not"):
        parse_date(text)


@pytest.mark.parametrize("text", ["2027-05-01 25:00", "2027-05-01 13:10 pm", "8:15"])
def test_times_that_are_none_are_refused(text: str) -> None:
    with pytest.raises(ValueError, match=r"no time|no date"):
        parse_moment(text)


@pytest.mark.parametrize(
    ("text", "comma", "value"),
    [("4", False, 4), ("4,5", False, 4.5), ("1,319", True, 1.319), ("-.5", False, -0.5), ("4-1/4", False, 4.25),
     ("3/8", False, 0.375), ("1,319.850", False, 1319.85), ("12.345.678,9", True, 12345678.9), ("1e2", False, 100)],
)  # fmt: skip
def test_numbers_as_people_write_them(text: str, comma: bool, value: float) -> None:
    assert number(text, comma) == pytest.approx(value)


@pytest.mark.parametrize(
    ("text", "comma"), [("1,319", False), ("1.319", True), ("1e999", False), ("4 in", False), ("nan", False)]
)
def test_numbers_that_may_be_two_or_are_none_are_refused(text: str, comma: bool) -> None:
    with pytest.raises(ValueError, match=r"may be|no number"):
        number(text, comma)


def test_cells_that_cannot_be_read_are_blank_and_told(tmp_path: Path) -> None:
    found = book(tmp_path, f"{HEAD}\n{UNITS}\nH-1,,about 4,918,,500,,,maybe,,8 am,,\n")
    (e,) = found.entries
    assert math.isnan(e.clearance)
    assert math.isnan(e.put_in)  # 500 in is no extension
    assert (e.drain, e.out_at, e.work) == (None, None, True)
    assert len(e.unread) == 4
    assert "H-1 (line 3): clearance 'about 4' is no number" in " ".join(found.notes)


@pytest.mark.parametrize(
    ("text", "how", "told"),
    [
        (f"{HEAD}\nH-1,,4,,,,,,,,,,\n", {}, "does not say the unit of clearance"),
        (f"{HEAD}\n{UNITS}\nH-1,,4,,,,,,,,,,\n", {"unit": "mm"}, "says clearance is in in, the plan says mm"),
        (f"{HEAD}\n,,in,furlong,,,,,,,,,\nH-1,,4,,,,,,,,,,\n", {}, "unit 'furlong' of flange_elevation is no known"),
        ("asset,clearance\nH-1,4\n", {}, "has no column hydrant_id"),
        ("hydrant_id,flange\nH-1,4\n", {}, "has none of the columns"),
        ("hydrant_id,clearance,Clearance\nH-1,4,5\n", {}, "several columns clearance"),
        ("", {}, "is empty"),
        (b"hydrant_id,clearance\nM\xfchle,4\n", {}, "text is not UTF-8"),
        (b"hydrant_id,clearance\n\0,4\n", {}, "is no text"),
        ("hydrant_id,clearance\n", {"encoding": "morse"}, "is no encoding"),
    ],
)  # fmt: skip
def test_what_cannot_be_used_is_told_with_how_to_mend_it(
    text: str | bytes, how: dict, told: str, tmp_path: Path
) -> None:
    with pytest.raises(InputError) as error:
        book(tmp_path, text, **how)
    assert told in findings(error)
    assert all(f.mend for f in error.value.findings)


def test_units_of_the_plan_stand_in_where_no_row_says_them(tmp_path: Path) -> None:
    found = book(tmp_path, "hydrant_id,clearance,flange_elevation\nH-1,100,279.5\n", unit="mm", elevation_unit="m")
    assert (found.entries[0].clearance, found.entries[0].flange) == pytest.approx((0.1, 279.5))


def test_a_layer_with_the_same_columns_is_read_as_the_table_is(tmp_path: Path) -> None:
    frame = gpd.GeoDataFrame(
        {
            "hydrant_id": [12.0, 13.0], "date": [date(2027, 4, 3), None], "clearance": [4.5, None],
            "drain_ok": [True, None], "back_at": [pd.Timestamp("2027-04-03 09:00"), None],
        },
        geometry=gpd.points_from_xy([0, 1], [0, 1]), crs="EPSG:32615",
    )  # fmt: skip
    frame.to_file(tmp_path / "field.gpkg", layer="field")
    found = read_field_rows(tmp_path / "field.gpkg", "field.gpkg", Reading("measurements.path", unit="in"))
    (e,) = found.entries
    assert (e.hydrant_id, e.on, e.drain, e.back_at) == ("12", date(2027, 4, 3), True, datetime(2027, 4, 3, 9))
    assert e.clearance == pytest.approx(4.5 * IN)


def test_a_spreadsheets_own_file_is_read_as_its_csv_is(tmp_path: Path) -> None:
    text = f"{HEAD}\n{UNITS}\n0012,2027-04-03,4.5,918.5,,,,,yes,,,,\nH-2,2027-04-04,3,,,,12,Q-12,,,,2027-04-04 09:00,\n"
    want = book(tmp_path, text)
    cells = pd.read_csv(io.StringIO(text), dtype=str, keep_default_na=False)
    cells.to_excel(tmp_path / "m.xlsx", index=False)
    got = read_field_rows(tmp_path / "m.xlsx", "m.csv", Reading("measurements.path"))
    assert [repr(e) for e in got.entries] == [repr(e) for e in want.entries]


def test_ids_that_a_spreadsheet_changed_are_matched_only_where_one_hydrant_can_be_meant() -> None:
    found = owners(["0012", "12", "12.0", "7", "1E5", "'=1+1", "h"], ["0012", "07", "007", "100000", "=1+1", "H"])
    assert found.rows == (0, 0, 0, -1, 3, 4, -1)
    assert found.taken == (("12", "0012"), ("12.0", "0012"), ("1E5", "100000"))
    assert found.unknown == ("7", "h")
    assert owners(["12"], ["12", "0012"]).doubtful == ("12",)


CELL = st.text(st.characters(codec="utf-8"), max_size=12) | st.sampled_from(
    ["in", "m", "4,5", "1.319", "03/04/2027", "2027-04-03", "yes", "12/0", "1e400", '"', ";", "-", "9" * 400]
)


@settings(max_examples=300, deadline=None)
@given(
    rows=st.lists(st.lists(CELL, min_size=0, max_size=14), max_size=6),
    mark=st.sampled_from([",", ";", "\t"]),
    units=st.booleans(),
)
def test_no_table_of_odd_cells_is_more_than_an_input_error(
    rows: list[list[str]], mark: str, units: bool, tmp_path_factory: pytest.TempPathFactory
) -> None:
    folder = tmp_path_factory.mktemp("odd")
    head = [HEAD.replace(",", mark), *([UNITS.replace(",", mark)] if units else [])]
    text = "\n".join([*head, *(mark.join(row) for row in rows)])
    with suppress(InputError):
        for e in book(folder, text).entries:
            values = [e.clearance, e.flange, e.height, e.put_in, e.taken_out]
            assert not any(math.isinf(v) for v in values)


@settings(max_examples=200, deadline=None)
@given(data=st.binary(max_size=400))
def test_no_bytes_are_more_than_an_input_error(data: bytes, tmp_path_factory: pytest.TempPathFactory) -> None:
    folder = tmp_path_factory.mktemp("bytes")
    for text in (data, HEAD.encode() + b"\n" + data, b"hydrant_id,elevation,what,x,y\n" + data):
        with suppress(InputError):
            book(folder, text)
        with suppress(InputError):
            read_shot_rows(folder / "m.csv", "m.csv", "ft")
