"""Lengths and vertical units against EPSG's register as PROJ carries it, and against what files say of themselves.

Feet and metres are never guessed: a band unit, a compound reference system and the plan must agree, one of them
must speak, and what is not one of the six known units is refused and not taken for its nearest relative.
"""

import math
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyproj import CRS, Transformer, get_units_map

from gradecheck.errors import InputError
from gradecheck.reference import metres_per_unit, split, vertical_unit
from gradecheck.surfaces.tiles import open_tile
from gradecheck.units import METRES, Length, elevation_unit, show, unit_named, unit_of_factor
from tests.rasters import EAST, NORTH, grid, ground, refusals, tile, write

DATA = Path(__file__).resolve().parents[2] / ".." / "shared" / "data"
ODD = DATA / "odd_geotiff_gdal_autotest"

EPSG_CODE = {"m": "9001", "ft": "9002", "ftUS": "9003", "mm": "1025", "cm": "1033"}
REGISTER = get_units_map(category="linear")
BY_CODE = {unit.code: unit for unit in REGISTER.values() if unit.auth_name == "EPSG"}
OURS = {code: name for name, code in EPSG_CODE.items()}


@pytest.mark.parametrize("unit", EPSG_CODE)
def test_factors_are_those_of_the_epsg_register(unit):
    # PROJ carries 15 digits.
    assert METRES[unit] == pytest.approx(BY_CODE[EPSG_CODE[unit]].conv_factor, rel=1e-14)


def test_factors_are_exact_where_a_law_makes_them_so():
    # International yard and pound agreement of 1959: 0.9144 m a yard. Mendenhall order of 1893: 39.37 in a metre.
    assert METRES["ft"] * 3 == pytest.approx(0.9144, rel=1e-15)
    assert METRES["in"] * 12 == pytest.approx(METRES["ft"], rel=1e-15)
    assert METRES["ftUS"] * 39.37 == pytest.approx(12.0, rel=1e-15)
    assert REGISTER["inch"].conv_factor == METRES["in"]


def test_two_million_feet_of_easting_are_four_feet_apart_between_the_two_feet():
    # 85 FR 62698: 2 parts per million, 4.000 ft at an easting of 2,000,000 ft.
    off = 2_000_000 * (METRES["ftUS"] - METRES["ft"]) / METRES["ft"]
    assert off == pytest.approx(4.000, abs=5e-4)


def test_a_height_in_each_foot_is_projs_own_height_in_metres():
    # EPSG:8228, 6360 and 5703: NAVD88 in feet, US survey feet and metres.
    for code, unit in ((8228, "ft"), (6360, "ftUS")):
        metres = Transformer.from_crs(f"EPSG:4269+{code}", "EPSG:4269+5703", always_xy=True).transform(-93, 45, 1319.85)
        assert Length(1319.85, unit).metres == pytest.approx(metres[2], abs=1e-9)


@pytest.mark.parametrize("name", [n for n, u in REGISTER.items() if u.auth_name == "EPSG"])
def test_every_linear_unit_of_epsg_is_known_by_name_or_refused_but_never_taken_for_another(name):
    expected = OURS.get(REGISTER[name].code)
    assert unit_named(name) == expected
    assert unit_named(name.upper()) == expected


@pytest.mark.parametrize("name", [n for n, u in REGISTER.items() if u.auth_name == "EPSG"])
def test_every_linear_unit_of_epsg_is_told_by_its_factor_to_the_last_of_its_relatives(name):
    # A dozen historic feet lie within 0.002 % of the two that are known.
    assert unit_of_factor(REGISTER[name].conv_factor) == OURS.get(REGISTER[name].code)


@pytest.mark.parametrize(
    ("text", "unit"),
    [
        ("m", "m"), ("metre", "m"), ("Meters", "m"), ("METERS", "m"), (" m ", "m"),
        ("ft", "ft"), ("foot", "ft"), ("Feet", "ft"), ("international foot", "ft"), ("Foot (International)", "ft"),
        ("US survey foot", "ftUS"), ("U.S. survey feet", "ftUS"), ("Foot_US", "ftUS"), ("us-ft", "ftUS"),
        ("ftUS", "ftUS"), ("US_survey_foot", "ftUS"), ("survey foot", "ftUS"),
        ("in", "in"), ("Inches", "in"), ("cm", "cm"), ("centimetre", "cm"), ("mm", "mm"), ("Millimeters", "mm"),
    ],
)  # fmt: skip
def test_spellings_met_in_files_are_understood(text, unit):
    assert unit_named(text) == unit


@pytest.mark.parametrize("text", ["", "unknown", "furlong", "degree", "metric", "dm", "km", "yard", "fathom", "us-in"])
def test_other_words_are_no_unit(text):
    assert unit_named(text) is None


@pytest.mark.parametrize("text", ["µm", "μm", "10 m", "0.1 ft", "m/100", "m²", "m2", "ft^3", "m*10", "1/m", "100m"])
def test_a_unit_with_a_multiplier_a_power_or_a_foreign_letter_is_no_unit(text):
    # Micrometres are not metres, and tenths of a foot are not feet: passed over aloud, never taken for the rest.
    assert unit_named(text) is None


@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("2 in", 0.0508), ("0.05 ft", 0.01524), ("150 mm", 0.15), ("1.5 m", 1.5), ("0.1 ftUS", 0.1 * 12 / 39.37),
        ("2in", 0.0508), (" 2  in ", 0.0508), ("-3 ft", -0.9144), ("+.5 m", 0.5), ("1e1 cm", 0.1), ("2. in", 0.0508),
        ("2 in.", 0.0508), ("18 inches", 0.4572), ("1 US survey foot", 12 / 39.37), ("0 m", 0.0),
    ],
)  # fmt: skip
def test_a_written_length_is_read(text, metres):
    assert Length.parse(text).metres == pytest.approx(metres, rel=1e-14, abs=1e-300)


@pytest.mark.parametrize(
    "text",
    [
        "", "2", "in", "2 furlongs", "2 in 3", "1 ft 6 in", "1 ft 6", "4' 6\"", "1 1/2 in", "1,5 m", "nan m", "inf m",
        "-inf m", "1e400 m", "1_0 m", "0x2 in", "2 µm", "3 m²", "2 m/100", "2 m2", "one ft", "- 2 in", "2 in in",
        2, 2.5, True, None, [2, "in"], {"value": 2},
    ],
)  # fmt: skip
def test_what_is_not_one_number_with_one_unit_is_refused_in_words(text):
    with pytest.raises(ValueError, match=r"length|unit") as caught:
        Length.parse(text)
    assert str(text) in str(caught.value) or repr(text) in str(caught.value)


def test_an_unknown_unit_is_named_with_those_that_are_known():
    with pytest.raises(ValueError, match="furlong") as caught:
        Length.parse("2 furlongs")
    assert all(unit in str(caught.value) for unit in ("in", "ft", "ftUS", "mm", "cm", "m"))


@given(st.floats(-1e6, 1e6), st.sampled_from(sorted(METRES)))
def test_a_length_is_shown_as_it_can_be_read_again(value, unit):
    again = Length.parse(str(Length(value, unit)))
    assert again.unit == unit
    assert math.isclose(again.value, value, rel_tol=1e-11, abs_tol=1e-300)


@given(st.floats(-1e5, 1e5), st.sampled_from(sorted(METRES)), st.sampled_from(sorted(METRES)))
def test_a_length_goes_to_another_unit_by_epsgs_factors_and_back(value, one, other):
    factor = {u: REGISTER["inch"].conv_factor if u == "in" else BY_CODE[EPSG_CODE[u]].conv_factor for u in METRES}
    there = Length(value, one).to(other)
    assert math.isclose(there, value * factor[one] / factor[other], rel_tol=1e-12, abs_tol=1e-12)
    assert math.isclose(Length(there, other).to(one), value, rel_tol=1e-9, abs_tol=1e-9)


@pytest.mark.parametrize(("unit", "other"), [("in", "ft"), ("ft", "ft"), ("mm", "m"), ("cm", "m"), ("m", "m")])
def test_elevations_are_in_feet_beside_inches_and_feet_and_else_in_metres(unit, other):
    assert elevation_unit(unit) == other


@pytest.mark.parametrize(
    ("metres", "unit", "text"),
    [
        (0.1016, "in", "4 in"), (0.10414, "in", "4.1 in"), (-0.0508, "in", "-2 in"), (-1e-6, "in", "0 in"),
        (0.3048, "ft", "1 ft"), (0.1, "mm", "100 mm"), (1.2345, "m", "1.234 m"), (2.54, "in", "100 in"),
    ],
)  # fmt: skip
def test_small_heights_are_shown_short(metres, unit, text):
    assert show(metres, unit) == text


# --- Reference systems ---


@pytest.mark.parametrize(
    ("code", "unit"),
    [(5703, "m"), (6360, "ftUS"), (8228, "ft"), (5702, "ftUS"), (7968, "m"), (3855, "m"), (8050, "ft")],
)
def test_the_unit_of_a_vertical_system_is_its_axis_unit(code, unit):
    vertical = CRS.from_epsg(code)
    assert vertical_unit(vertical, "x") == unit
    assert vertical.axis_info[0].unit_conversion_factor == pytest.approx(METRES[unit], rel=1e-12)


@pytest.mark.parametrize("code", [6358, 6359, 5715, 5614])
def test_a_depth_is_refused(code):
    assert CRS.from_epsg(code).axis_info[0].direction == "down"
    with pytest.raises(InputError, match="down"):
        vertical_unit(CRS.from_epsg(code), "x")


def test_a_vertical_system_in_a_unit_of_its_own_is_refused_by_the_units_name():
    # EPSG:5754 counts in the British foot of 1936, half a part per million from the US survey foot.
    with pytest.raises(InputError, match="British foot"):
        vertical_unit(CRS.from_epsg(5754), "x")


@pytest.mark.parametrize(
    ("code", "horizontal", "unit"),
    [("EPSG:26915+6360", 26915, "ftUS"), ("EPSG:26915+5703", 26915, "m"), ("EPSG:9518", 4326, "m"),
     ("EPSG:4979", 4326, "m"), ("EPSG:2276+8228", 2276, "ft")],
)  # fmt: skip
def test_a_compound_system_is_split_into_place_and_height(code, horizontal, unit):
    place, height = split(CRS.from_user_input(code))
    assert place.equals(CRS.from_epsg(horizontal), ignore_axis_order=True)
    assert len(place.axis_info) == 2
    assert vertical_unit(height, "x") == unit


def test_a_plain_system_has_no_height_and_a_height_no_place():
    assert split(CRS.from_epsg(32615))[1] is None
    assert split(CRS.from_epsg(5703))[0] is None


@pytest.mark.parametrize(("code", "metres"), [(32615, 1.0), (2276, 12 / 39.37), (2222, 0.3048)])
def test_a_working_system_knows_its_unit(code, metres):
    # EPSG:2276 is in US survey feet, EPSG:2222 (Arizona East) in international feet.
    assert metres_per_unit(CRS.from_epsg(code)) == pytest.approx(metres, rel=1e-12)


# --- What a file says of its own unit ---

HUNDRED = np.full((3, 3), 100.0)


def _file(folder, crs="EPSG:32615", unit=None):
    return write(folder / "a.tif", HUNDRED, grid(1, -1), crs=crs, unit=unit)


def _middle(path, **stated):
    return ground(path, **stated).heights(EAST + np.array([1.5]), NORTH - np.array([1.5])).z[0]


@pytest.mark.parametrize(
    ("word", "metres"),
    [("m", 100), ("metre", 100), ("ft", 30.48), ("foot", 30.48), ("US survey foot", 1200 / 39.37), ("cm", 1.0)],
)
def test_the_band_unit_is_taken(tmp_path, word, metres):
    assert _middle(_file(tmp_path, unit=word), unit=None) == pytest.approx(metres, rel=1e-14)


@pytest.mark.parametrize(
    ("crs", "metres"),
    [("EPSG:26915+6360", 1200 / 39.37), ("EPSG:26915+8228", 30.48), ("EPSG:26915+5703", 100.0)],
)
def test_the_unit_of_a_compound_system_is_taken(tmp_path, crs, metres):
    path = _file(tmp_path, crs=crs)
    assert _middle(path, unit=None, work="EPSG:26915") == pytest.approx(metres, rel=1e-14)


@pytest.mark.parametrize(("unit", "metres"), [("ft", 30.48), ("ftUS", 1200 / 39.37), ("m", 100.0), ("in", 2.54)])
def test_the_plans_unit_fills_in_where_the_file_is_silent(tmp_path, unit, metres):
    assert _middle(_file(tmp_path), unit=unit) == pytest.approx(metres, rel=1e-14)


def test_the_plans_vertical_reference_gives_the_unit_too(tmp_path):
    found = tile(_file(tmp_path), unit=None, vertical="EPSG:6360")
    assert (found.unit, found.vertical) == ("ftUS", CRS.from_epsg(6360))


def test_no_unit_anywhere_stops_with_a_message_that_says_what_to_write(tmp_path):
    told = refusals(_file(tmp_path), unit=None)
    assert len(told) == 1
    assert "a.tif" in told[0]
    assert 'unit = "ft"' in told[0]


def test_a_unit_of_the_horizontal_axes_is_no_unit_of_heights(tmp_path):
    # EPSG:2276 is in US survey feet on the ground; heights in such files are as often in metres.
    path = write(tmp_path / "a.tif", HUNDRED, grid(1, -1, 2_000_000, 7_000_000), crs="EPSG:2276")
    assert any("unit" in line for line in refusals(path, unit=None))


@pytest.mark.parametrize(
    ("crs", "band", "unit", "vertical"),
    [
        ("EPSG:32615", "m", "ft", None),
        ("EPSG:32615", "ft", "ftUS", None),
        ("EPSG:26915+6360", None, "m", None),
        ("EPSG:26915+6360", None, "ft", None),
        ("EPSG:32615", "m", None, "EPSG:6360"),
        ("EPSG:32615", None, "m", "EPSG:8228"),
        ("EPSG:26915+6360", "m", None, None),
    ],
)
def test_units_that_contradict_one_another_stop_and_are_both_named(tmp_path, crs, band, unit, vertical):
    told = refusals(_file(tmp_path, crs=crs, unit=band), unit=unit, vertical=vertical)
    assert len(told) == 1
    assert "contradict" in told[0]
    said = [u for u in ("ftUS", "ft", "m") if f"says {u}" in told[0].replace(",", " ") + " "]
    assert len(said) >= 2


@pytest.mark.parametrize(
    ("crs", "band", "unit", "vertical"),
    [
        ("EPSG:32615", "metre", "m", None),
        ("EPSG:26915+6360", "US survey foot", "ftUS", None),
        ("EPSG:26915+6360", None, "ftUS", "EPSG:6360"),
        ("EPSG:32615", "ft", "ft", "EPSG:8228"),
    ],
)
def test_units_that_agree_are_no_contradiction(tmp_path, crs, band, unit, vertical):
    assert refusals(_file(tmp_path, crs=crs, unit=band), unit=unit, vertical=vertical) == []


def test_vertical_references_that_differ_stop_and_are_both_named(tmp_path):
    told = refusals(_file(tmp_path, crs="EPSG:26915+6360"), unit=None, vertical="EPSG:5702")
    assert any("6360" in line and "5702" in line for line in told)


def test_a_file_of_depths_is_refused(tmp_path):
    assert any("down" in line for line in refusals(_file(tmp_path, crs="EPSG:26915+6358"), unit=None))


def test_a_band_unit_that_is_no_length_is_passed_over_aloud(tmp_path):
    path = _file(tmp_path, unit="quatloo")
    found, findings, notes = open_tile(path, "a.tif", "ft", None, None)
    assert (found.unit, findings) == ("ft", [])
    assert any("quatloo" in note for note in notes)
    assert refusals(path, unit=None) != []


@pytest.mark.parametrize(
    ("name", "unit", "work"),
    [
        ("compdcrs_no_citation", "m", "EPSG:32617"),
        ("epsg26711_3855_geotiff1_1", "m", "EPSG:26711"),
        ("epsg4326_3855_geotiff1_1", "m", "EPSG:4326"),
        ("epsg4979_geotiff1_1", "m", "EPSG:4326"),  # a 3D geographic system and no band unit
        ("vertcs_user_defined", "ft", "EPSG:26711"),  # GDAL says "foot", the system shows no vertical part
        ("tiff_vertcs_scale_offset", "m", "EPSG:26711"),
    ],
)
def test_open_geotiffs_that_say_their_vertical_unit_are_understood(name, unit, work):
    path = ODD / f"{name}.tif"
    if not path.exists():
        pytest.skip("open GeoTIFFs not here")
    found = tile(path, unit=None)
    assert found.unit == unit
    assert found.crs.equals(CRS.from_user_input(work), ignore_axis_order=True)
    other = "ft" if unit == "m" else "m"
    assert any("contradict" in line for line in refusals(path, unit=other))


@pytest.mark.parametrize("name", ["VerticalUnitsGeoKey_private_range", "epsg_2853_with_us_feet", "float32"])
def test_open_geotiffs_that_do_not_say_it_are_not_guessed_at(name):
    path = ODD / f"{name}.tif"
    if not path.exists():
        pytest.skip("open GeoTIFFs not here")
    assert any("unit" in line for line in refusals(path, unit=None))
    assert tile(path, unit="ft").unit == "ft"
