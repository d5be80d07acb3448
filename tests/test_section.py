"""Cross-sections: the worked example, places and sides, transitions by station, and their files."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from gradecheck.errors import InputError
from gradecheck.formats.sections import read_sections
from gradecheck.roads.section import Section, Strip, faults, street

FT = 0.3048

WORKED = """
[[strip]]
kind = "lane"
width = "12 ft"
slope = "-2 %"

[[strip]]
kind = "gutter"
width = "1.5 ft"
slope = "-6 %"

[[strip]]
kind = "curb"
width = "0 ft"
rise = "0.5 ft"

[[strip]]
kind = "verge"
width = "3.5 ft"
slope = "2 %"
"""
# DOMAIN of the trade, worked by hand there: centreline 1319.85; 12 ft at -2 % = 1319.61; 1.5 ft gutter at -6 % =
# 1319.52; 0.5 ft curb = 1320.02; 3.5 ft at +2 % = 1320.09 at offset 17.0 ft.
WORKED_HEIGHTS = {0.0: 1319.85, 12.0: 1319.61, 13.4999: 1319.52, 13.5: 1320.02, 17.0: 1320.09}


def read(folder: Path, text: str, name: str = "section.toml") -> Section:
    (folder / name).write_text(text, encoding="utf-8")
    section = read_sections(folder / name, name).of("any road", "ft")
    assert section is not None
    return section


def feet(section: Section, offset: float, station: float = 0.0) -> float:
    """Rise above the profile at an offset, all in feet."""
    across = section.across(np.array([station]), np.array([offset * FT]))
    return float(across.rise[0]) / FT


@pytest.mark.parametrize("side", [1, -1])
@pytest.mark.parametrize(("offset", "height"), WORKED_HEIGHTS.items())
def test_the_worked_section_comes_out_to_the_hundredth(tmp_path: Path, offset: float, height: float, side: int) -> None:
    assert 1319.85 + feet(read(tmp_path, WORKED), side * offset) == pytest.approx(height, abs=0.005)


def test_past_the_outermost_strip_its_end_is_told_and_how_far_it_is(tmp_path: Path) -> None:
    across = read(tmp_path, WORKED).across(np.zeros(2), np.array([20.0, -19.0]) * FT)
    assert across.beyond / FT == pytest.approx([3, 2])
    assert across.rise / FT == pytest.approx([0.24, 0.24])
    assert across.beside / FT == pytest.approx([8, 7])  # of the lane's edge at 12 ft


@pytest.mark.parametrize(
    ("place", "above"), [("centreline", 0.0), ("edge", 0.24), ("flowline", 0.33), ("top_of_curb", -0.17)]
)
def test_a_profile_on_another_place_of_the_section_is_carried_from_there(
    tmp_path: Path, place: str, above: float
) -> None:
    # The same road: only what the profile's height means is another. 0.24 = 12 ft at 2 %, and so on, by hand.
    section = read(tmp_path, f'profile_on = "{place}"\n{WORKED}')
    assert feet(section, 17.0) == pytest.approx(0.24 + above)
    assert feet(section, -5.0) == pytest.approx(-0.10 + above)


def test_a_profile_on_one_side_holds_for_both_through_the_centreline() -> None:
    left = (Strip.plain("lane", 10 * FT, slope=-0.04), Strip.plain("curb", 0.0, rise=0.5 * FT))
    right = (Strip.plain("lane", 10 * FT, slope=0.02), Strip.plain("curb", 0.0, rise=0.5 * FT))
    section = Section(left, right, profile_on="top_of_curb", profile_side="right")
    # Right top of curb is 0.7 ft above the crown, left top 0.1 ft: 0.6 ft lower than the profile.
    assert feet(section, 10.0) == pytest.approx(0.0)
    assert feet(section, 0.0) == pytest.approx(-0.7)
    assert feet(section, -10.0) == pytest.approx(-0.6)


def test_a_line_along_the_curb_counts_offsets_from_there(tmp_path: Path) -> None:
    on = 'profile_on = "top_of_curb"\nprofile_side = "right"\nline_on = "top_of_curb"\nline_side = "right"\n'
    section = read(tmp_path, on + WORKED)
    assert feet(section, 0.0) == pytest.approx(0.0)
    assert feet(section, 3.5) == pytest.approx(0.07)
    assert feet(section, -13.5) == pytest.approx(-0.17)  # the crown
    assert section.outer(np.zeros(1), np.array([True]))[0] / FT == pytest.approx(3.5)
    assert section.outer(np.zeros(1), np.array([False]))[0] / FT == pytest.approx(-30.5)


def test_superelevation_turns_linearly_between_its_stations(tmp_path: Path) -> None:
    text = """
[[strip]]
side = "left"
kind = "lane"
width = "12 ft"
slope = "-2 %"
[[strip]]
side = "right"
kind = "lane"
station = ["10+00", "12+00"]
width = ["12 ft", "16 ft"]
slope = ["-2 %", "6 %"]
"""
    section = read(tmp_path, text)
    # By hand: halfway the lane is 14 ft wide at +2 %.
    heights = {900.0: -0.24, 1000.0: -0.24, 1100.0: 0.24, 1200.0: 0.72, 1300.0: 0.72}
    for station, height in heights.items():
        assert feet(section, 12.0, station) == pytest.approx(height)
    assert section.outer(np.array([1100.0]), np.array([True]))[0] / FT == pytest.approx(14.0)
    assert feet(section, -12.0, 1100.0) == pytest.approx(-0.24)


def test_csv_says_the_same_as_toml(tmp_path: Path) -> None:
    csv = (
        "side,kind,station,width,slope,rise,profile_on,tie_slope\n"
        "both,lane,,12 ft,-2 %,,flowline,25 %\n"
        "left,gutter,,1.5 ft,-6 %,,,\n"
        "right,gutter,10+00,1.5 ft,-6 %,,,\n"
        "right,gutter,12+00,2.5 ft,-6 %,,,\n"
        "both,curb,,0 ft,,6 in,,\n"
        "both,verge,,3.5 ft,2 %,,,\n"
    )
    toml = (
        'profile_on = "flowline"\ntie_slope = "25 %"\n'
        + WORKED.split('[[strip]]\nkind = "gutter"')[0]
        + '[[strip]]\nside = "left"\nkind = "gutter"\nwidth = "1.5 ft"\nslope = "-6 %"\n'
        + '[[strip]]\nside = "right"\nkind = "gutter"\nslope = "-6 %"\n'
        + 'station = [1000, 1200]\nwidth = ["1.5 ft", "2.5 ft"]\n'
        + '[[strip]]\nkind = "curb"\nwidth = "0 ft"\nrise = "6 in"\n'
        + '[[strip]]\nkind = "verge"\nwidth = "3.5 ft"\nslope = "2 %"\n'
    )
    one, other = read(tmp_path, csv, "section.csv"), read(tmp_path, toml)
    assert one.tie_slope == other.tie_slope == 0.25
    station, offset = (g.ravel() for g in np.meshgrid([900.0, 1050.0, 1300.0], np.linspace(-25, 25, 101) * FT))
    for a, b in zip(
        (one.across(station, offset).rise, one.across(station, offset).beyond),
        (other.across(station, offset).rise, other.across(station, offset).beyond),
        strict=True,
    ):
        assert a == pytest.approx(b)


def test_several_roads_have_each_their_own_section(tmp_path: Path) -> None:
    text = """
[[section]]
roads = ["Sorrel St", "Tansy Ln"]
[[section.strip]]
kind = "lane"
width = "12 ft"
slope = "-2 %"
[[section]]
[[section.strip]]
kind = "lane"
width = "10 ft"
slope = "-3 %"
"""
    (tmp_path / "s.toml").write_text(text, encoding="utf-8")
    sections = read_sections(tmp_path / "s.toml", "s.toml")
    widths = {name: sections.of(name, "m").right[0].width[0] / FT for name in ("Sorrel St", "Tansy Ln", "Fennel St")}
    assert widths == pytest.approx({"Sorrel St": 12, "Tansy Ln": 12, "Fennel St": 10})


BAD = {
    "no strips": ("", "strip"),
    "unknown kind": ('[[strip]]\nkind = "tramway"\nwidth = "1 m"', "tramway"),
    "bare width": ('[[strip]]\nkind = "lane"\nwidth = 3', "a length is text with its unit"),
    "negative width": ('[[strip]]\nkind = "lane"\nwidth = "-3 m"', "must not be negative"),
    "slope as a ratio in words": ('[[strip]]\nkind = "lane"\nwidth = "3 m"\nslope = "1:4"', "a slope is text"),
    "slope in per cent without the sign": ('[[strip]]\nkind = "lane"\nwidth = "3 m"\nslope = 2', "has no % sign"),
    "slope in text without the sign": ('[[strip]]\nkind = "lane"\nwidth = "3 m"\nslope = "-2"', "has no % sign"),
    "steeper than can be": ('[[strip]]\nkind = "lane"\nwidth = "3 m"\nslope = "-2000 %"', "steeper than 10 to 1"),
    "a tie slope that is run to rise": (
        'tie_slope = 3\n[[strip]]\nkind = "lane"\nwidth = "3 m"',
        "has no % sign",
    ),
    "stations do not rise": (
        '[[strip]]\nkind = "lane"\nwidth = "3 m"\nstation = ["12+00", "10+00"]',
        "stations do not rise",
    ),
    "lists of other lengths": (
        '[[strip]]\nkind = "lane"\nwidth = ["3 m", "4 m"]\nstation = ["1+00", "2+00", "3+00"]',
        "2 values for 3 stations",
    ),
    "no station": ('[[strip]]\nkind = "lane"\nwidth = "3 m"\nstation = "twelve"', "is no station"),
    "profile on a curb that is not there": (
        'profile_on = "top_of_curb"\n[[strip]]\nkind = "lane"\nwidth = "3 m"',
        "no strip that ends there",
    ),
    "line on an edge of no side": ('line_on = "edge"\n[[strip]]\nkind = "lane"\nwidth = "3 m"', "of which side?"),
    "unknown key": ('tie_slop = "25 %"\n[[strip]]\nkind = "lane"\nwidth = "3 m"', "did you mean 'tie_slope'?"),
    "not TOML": ("[[strip", "is not TOML"),
}


@pytest.mark.parametrize(("text", "words"), BAD.values(), ids=BAD)
def test_a_section_that_cannot_be_used_is_told_in_one_message(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "bad.toml").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_sections(tmp_path / "bad.toml", "bad.toml")
    assert any(words in str(f) for f in told.value.findings)
    assert all("bad.toml" in f.where for f in told.value.findings)


BAD_CSV = {
    "unknown column": ("side,kind,breadth\nboth,lane,3 m\n", "unknown column 'breadth'"),
    "contradiction": ("kind,width,profile_on\nlane,3 m,edge\nverge,1 m,flowline\n", "contradicts a row above"),
    "a gap in a strip": (
        "kind,station,width,slope\nlane,0,3 m,\nlane,150,3 m,4 %\n",
        "slope is given at some stations of this strip and not at others",
    ),
    "too many cells": ("kind,width\nlane,3 m,4 m\n", "more cells than columns"),
    "nothing in it": ("kind,width\n", "strip"),
}


@pytest.mark.parametrize(("text", "words"), BAD_CSV.values(), ids=BAD_CSV)
def test_a_csv_section_that_cannot_be_used_is_told_in_one_message(tmp_path: Path, text: str, words: str) -> None:
    (tmp_path / "bad.csv").write_text(text, encoding="utf-8")
    with pytest.raises(InputError) as told:
        read_sections(tmp_path / "bad.csv", "bad.csv")
    assert any(words in str(f) for f in told.value.findings)


def test_a_missing_file_says_how_to_ask_for_the_plain_section(tmp_path: Path) -> None:
    with pytest.raises(InputError, match='section = "street"'):
        read_sections(tmp_path / "gone.toml", "gone.toml")


def test_the_built_in_street_is_sound() -> None:
    assert faults(street(), "street") == []
    assert feet(street(), 17.0) == pytest.approx(0.24)  # its first 17 ft are the worked example's


@pytest.mark.parametrize(("written", "slope"), [("3:1", 1 / 3), ("33 %", 0.33), (0.25, 0.25)])
def test_a_tie_slope_may_be_run_to_rise(tmp_path: Path, written: object, slope: float) -> None:
    value = f'"{written}"' if isinstance(written, str) else written
    assert read(tmp_path, f"tie_slope = {value}\n{WORKED}").tie_slope == pytest.approx(slope)


TURNING = """
[[strip]]
kind = "lane"
width = "4 m"
station = ["10+00", "12+00"]
slope = ["-2 %", "2 %"]
"""


def test_stations_are_in_the_unit_of_the_line_or_the_one_stated(tmp_path: Path) -> None:
    (tmp_path / "s.toml").write_text(TURNING, encoding="utf-8")
    plain = read_sections(tmp_path / "s.toml", "s.toml")
    assert plain.of("any", "ft").stations == (1000, 1200)
    with pytest.raises(ValueError, match="written as in feet"):
        plain.of("any", "m")
    (tmp_path / "s.toml").write_text('station_unit = "ft"\n' + TURNING, encoding="utf-8")
    stated = read_sections(tmp_path / "s.toml", "s.toml")
    assert stated.of("any", "m").stations == pytest.approx((304.8, 365.76))
    assert stated.of("any", "m") is stated.of("other", "m")
