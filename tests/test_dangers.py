"""Dangers in crews' rows: outages, words as people write them, rows without a day or an id, all worked by hand."""

from __future__ import annotations

from datetime import date, datetime
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradecheck.dangers import dangers
from gradecheck.fieldbook import Book, Entry
from gradecheck.formats.field_rows import COLUMNS, Reading, read_field_rows

UNITS = ",YYYY-MM-DD,in,ft,in,in,in,,yes/no,yes/no,,,"


def book(folder: Path, *rows: dict[str, str], order: str | None = None) -> Book:
    """A form of hydrant H-1, where a row names no other."""
    lines = [",".join(COLUMNS), UNITS]
    lines += [",".join(f'"{({"hydrant_id": "H-1"} | row).get(c, "")}"' for c in COLUMNS) for row in rows]
    (folder / "m.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    return read_field_rows(folder / "m.csv", "m.csv", Reading("--field", order=order))


def told(folder: Path, *rows: dict[str, str]) -> tuple[str, ...]:
    found = book(folder, *rows)
    return dangers(sorted((*found.entries, *found.passed), key=lambda e: e.line)).texts


def out(out_at: str = "", back_at: str = "") -> dict[str, str]:
    return {"date": "2027-05-12", "out_at": out_at, "back_at": back_at}


@pytest.mark.parametrize(
    ("rows", "since"),
    [
        ([out("2027-05-12 08:15", "2027-05-12 11:30")], None),
        ([out("2027-05-12 08:15", "2027-05-12")], None),  # back the same day, no clock
        ([out("2027-05-12", "2027-05-12")], None),
        ([out("2027-05-12"), out("", "2027-05-12")], None),  # in the order of rows
        ([out("", "2027-05-12"), out("2027-05-12")], "2027-05-12"),
        ([out("2027-05-12", "2027-05-12"), out("2027-05-12")], "2027-05-12"),
        ([out("2027-05-12 08:15", "2027-05-12 11:30"), out("2027-05-12")], "2027-05-12"),
        ([out("2027-05-12 08:15", "2027-05-12 11:30"), out("2027-05-12 13:00")], "2027-05-12 13:00"),
        ([out("2027-05-12 13:00"), out("2027-05-12 08:15", "2027-05-12 11:30")], "2027-05-12 13:00"),
        ([out("2027-05-12 08:15"), out("", "2027-05-13")], None),
        ([out("2027-05-13 08:15"), out("", "2027-05-12")], "2027-05-13 08:15"),
        ([out("2027-05-12 11:30", "2027-05-12 08:15")], "2027-05-12 11:30"),  # back before it was out
    ],
)
def test_an_outage_is_over_with_a_back_of_its_own_or_a_later_one(
    rows: list[dict[str, str]], since: str | None, tmp_path: Path
) -> None:
    assert told(tmp_path, *rows) == (() if since is None else (f"out of service since {since} and not back",))


@pytest.mark.parametrize("text", ["05/12/2027 08:15", "12 May 8am", "this morning"])
def test_a_time_out_that_cannot_be_read_counts_as_out_of_service_as_it_is_written(text: str, tmp_path: Path) -> None:
    assert told(tmp_path, out(text)) == (f"out of service as it seems: out_at says '{text}', no back_at",)
    assert told(tmp_path, out(text, "soon")) == (
        f"out of service as it seems: out_at says '{text}', back_at says 'soon'",
    )
    assert told(tmp_path, out(text, "2027-05-12 11:30")) == ()
    # A back of another row may be that of another outage.
    assert len(told(tmp_path, out(text), out("", "2027-05-10"))) == 1


def test_a_back_that_cannot_be_read_ends_nothing(tmp_path: Path) -> None:
    assert told(tmp_path, out("2027-05-12 08:15", "soon")) == (
        "out of service since 2027-05-12 08:15 and not back (back_at says 'soon')",
    )


@pytest.mark.parametrize(
    ("drain", "leak", "texts"),
    [
        ("yes", "Yes, dry", ()),
        ("", "", ()),
        ("-", "n/a", ()),
        ("no", "NO", ("leaks", "does not drain")),
        ("no - plugged", "yes", ("does not drain: drain_ok says 'no - plugged'",)),
        ("yes", "LEAKS", ("look: leak_ok says 'LEAKS'",)),
        ("none", "yes/no", ("look: leak_ok says 'yes/no'", "look: drain_ok says 'none'")),
        ("yes?", "not ok at all", ("leaks: leak_ok says 'not ok at all'", "look: drain_ok says 'yes?'")),
    ],
)
def test_words_are_read_by_the_first_and_what_cannot_be_read_is_looked_at(
    drain: str, leak: str, texts: tuple[str, ...], tmp_path: Path
) -> None:
    assert told(tmp_path, {"date": "2027-05-12", "drain_ok": drain, "leak_ok": leak, "note": "x"}) == texts


def test_what_may_tell_of_a_danger_is_never_said_to_be_taken_as_blank(tmp_path: Path) -> None:
    notes = book(tmp_path, {"leak_ok": "LEAKS", "clearance": "about 4"}, {"leak_ok": "yes, a bit damp"}).notes
    assert "taken as blank: H-1 (line 3): clearance 'about 4' is no number" in notes[0]
    assert "LEAKS" not in notes[0]
    assert "may tell of a danger: H-1 (line 3): leak_ok 'LEAKS' is neither yes nor no" in notes[1]
    assert "read by the first word, as yes: H-1 (line 4): leak_ok 'yes, a bit damp'" in notes[2]


BAD = {"drain_ok": "no", "leak_ok": "no"}
GOOD = {"drain_ok": "yes", "leak_ok": "yes"}
BOTH = ("leaks", "does not drain")


@pytest.mark.parametrize(
    ("rows", "texts"),
    [
        ([{**BAD, "date": "2027-05-12"}, {**GOOD, "date": "2027-05-13"}], ()),
        ([{**GOOD, "date": "2027-05-13"}, {**BAD, "date": "2027-05-12"}], ()),
        ([{**BAD, "date": "2027-05-12"}, {"drain_ok": "yes", "date": "2027-05-13"}], ("leaks",)),
        ([{**BAD, "date": "2027-05-13"}, {**GOOD, "date": "2027-05-12"}], BOTH),
        ([{**BAD, "date": "2027-05-12"}, {**GOOD, "date": "2027-05-12"}], BOTH),
        ([{**BAD, "date": "2027-05-12"}, GOOD], BOTH),
        ([BAD, {**GOOD, "date": "2027-05-13"}], BOTH),
        ([{**BAD, "date": "05/12/2027"}, {**GOOD, "date": "2027-05-13"}], BOTH),
        ([{**BAD, "date": "2027-05-12"}, {**GOOD, "date": "05/06/2027"}], BOTH),
    ],
)
def test_a_no_stands_until_a_later_day_says_yes_of_the_same(
    rows: list[dict[str, str]], texts: tuple[str, ...], tmp_path: Path
) -> None:
    assert told(tmp_path, *rows) == texts


DAYS = st.none() | st.dates(date(2027, 5, 1), date(2027, 5, 9))
TIMES = st.none() | st.datetimes(datetime(2027, 5, 1), datetime(2027, 5, 9))
ENTRIES = st.builds(Entry, st.just("m.csv"), st.just(3), st.just("H-1"), on=DAYS, leak=st.sampled_from([True, None]),
                    out_at=TIMES, back_at=TIMES)  # fmt: skip


@given(others=st.lists(ENTRIES, max_size=5), place=st.integers(0, 5), day=DAYS)
def test_no_row_without_a_later_day_silences_a_leak(others: list[Entry], place: int, day: date | None) -> None:
    rows = [e for e in others if day is None or e.on is None or e.on <= day]
    rows.insert(place, Entry("m.csv", 9, "H-1", on=day, leak=False))
    assert "leaks" in dangers(rows).texts
    assert dangers(rows).leak is False


@given(rows=st.lists(ENTRIES, max_size=6))
def test_out_with_clocks_means_out_last_and_not_back_after(rows: list[Entry]) -> None:
    outs = [e.out_at for e in rows if e.out_at]
    backs = [e.back_at for e in rows if e.back_at]
    own = any(e.out_at == e.back_at == max(outs, default=None) for e in rows if e.out_at)
    if outs and not own:
        assert dangers(rows).out == (not backs or max(backs) <= max(outs))
