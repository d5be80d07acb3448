"""Hydrants in the way of the new pavement: distance, probability, decision and words, from shapes to run.json.

Judges: the normal distribution by scipy.stats for half planes, square corners, strips and islands, the noncentral
chi-square for discs, counting of random points with shapely for all else.
"""

from __future__ import annotations

import hashlib
import json
import re
from collections.abc import Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import openpyxl
import pandas as pd
import pyproj
import pytest
import shapely
from scipy.stats import ncx2, norm
from shapely import affinity

from gradecheck import Plan, cautions, compute, inspect, run
from gradecheck.decision import decide
from gradecheck.errors import InputError
from gradecheck.outputs.summary import summary_text
from gradecheck.paving import Jobs, read_pavement
from gradecheck.pipeline import Result
from gradecheck.setback import Pavement
from tests.cases import NAN, Site, assessed, exact_plan, policy, rows
from tests.cases import hydrants as cases
from tests.projects import CRS, EAST, NORTH, hydrants, plan_values, point, tiny_plan, write_grounds

FAR = 1000.0
FT = 0.3048
US_FT = 1200 / 3937
IOWA_FEET = "EPSG:3418"  # NAD83 / Iowa South (ftUS): the town square lies in it
NORMAL = "0.5 m"


# --- shapes ---------------------------------------------------------------------------------------------------


def paved(area: shapely.Geometry) -> Pavement:
    return Pavement(area, shapely.boundary(area))


def bare(line: shapely.Geometry) -> Pavement:
    return Pavement(None, line)


def ring_block() -> shapely.Geometry:
    """A crooked block of pavement with two islands of grass, and a piece apart; no symmetry."""
    outer = [(0, 0), (31, -4), (38, 17), (19, 12), (12, 29), (-5, 21)]
    islands = [[(4, 3), (9, 3), (9, 6), (4, 6)], [(22, 2), (28, 1), (25, 9)]]
    apart = shapely.Polygon([(45, 0), (52, 3), (47, 14)])
    return shapely.MultiPolygon([shapely.Polygon(outer, islands), apart])


def rings(area: shapely.Geometry) -> shapely.Geometry:
    """Every ring, taken apart by hand."""
    found = []
    for polygon in area.geoms:
        found += [polygon.exterior, *polygon.interiors]
    return shapely.MultiLineString([shapely.LineString(r.coords) for r in found])


def counted(
    shape: shapely.Geometry, x: Any, y: Any, sd: float, setback: float, samples: int = 20_000, seed: int = 5
) -> np.ndarray:
    """The share of random places about each point that lie in the shape or nearer than the setback."""
    moves = np.random.default_rng(seed).normal(0.0, sd, (samples, 2))
    shapely.prepare(shape)
    out = []
    for px, py in zip(x, y, strict=True):
        places = shapely.points(moves[:, 0] + px, moves[:, 1] + py)
        hit = shapely.dwithin(shape, places, setback) if setback else shapely.intersects(shape, places)
        out.append(hit.mean())
    return np.array(out)


# --- distance ---------------------------------------------------------------------------------------------------


def test_the_distance_is_to_the_edge_and_negative_inside() -> None:
    found = paved(shapely.box(0, 0, 20, 10)).distance(np.array([3.0, 10, 20, 23, 23]), np.array([5.0, 4, 5, 5, 14]))
    assert found.tolist() == [-3, -4, 0, 3, 5]


def test_an_island_of_grass_is_no_pavement() -> None:
    street = shapely.Polygon(shapely.box(0, 0, 40, 20).exterior.coords, [shapely.box(10, 8, 30, 12).exterior.coords])
    # In the middle of the island, on the pavement beside it, and on its edge.
    found = paved(street).distance(np.array([20.0, 20, 20]), np.array([10.0, 5, 8]))
    assert found.tolist() == [2, -3, 0]


def test_the_distance_is_shapely_s_own_about_a_crooked_block() -> None:
    area = ring_block()
    rng = np.random.default_rng(2)
    x, y = rng.uniform(-15, 62, 3000), rng.uniform(-14, 39, 3000)
    places = shapely.points(x, y)
    wanted = shapely.distance(rings(area), places) * np.where(shapely.contains(area, places), -1, 1)
    np.testing.assert_allclose(paved(area).distance(x, y), wanted, atol=1e-9)
    np.testing.assert_allclose(bare(rings(area)).distance(x, y), np.abs(wanted), atol=1e-9)


def test_the_outline_of_areas_counts_where_the_edges_leave_it_out() -> None:
    area = ring_block()
    x, y = np.array([2.0, 50.0, 24.0, -9.0]), np.array([1.0, 2.0, 4.0, 3.0])
    line = shapely.LineString([(-10, -50), (-10, 50)])
    wanted = paved(area).distance(x, y)
    np.testing.assert_allclose(Pavement(area, shapely.GeometryCollection()).distance(x, y), wanted)
    # The line is 1 m from the last place only.
    np.testing.assert_allclose(Pavement(area, line).distance(x, y), [*wanted[:3], 1.0])


def test_areas_and_edges_in_collections_of_collections_count() -> None:
    area, line = ring_block(), shapely.LineString([(-10, -50), (-10, 50)])
    nested = Pavement(
        shapely.GeometryCollection([area, shapely.LineString([(60, 0), (70, 0)])]),
        shapely.GeometryCollection([shapely.MultiLineString([line]), shapely.Point(60, 0)]),
    )
    x, y = np.array([2.0, 50.0, -9.0, 60.0]), np.array([1.0, 2.0, 3.0, 0.0])
    np.testing.assert_allclose(nested.distance(x, y), Pavement(area, line).distance(x, y))


def test_a_line_on_the_pavement_is_an_edge_there_and_the_pavement_stays_pavement() -> None:
    both = Pavement(shapely.box(0, 0, 20, 20), shapely.LineString([(5, 0), (5, 20)]))
    assert both.distance(np.array([6.0, 15]), np.array([10.0, 10])).tolist() == [-1, -5]
    assert both.chance_nearer(np.array([5.0, 10]), np.array([10.0, 10]), 0.4, 0.0).tolist() == [1, 1]


# --- probability: closed forms ----------------------------------------------------------------------------------


@pytest.mark.parametrize("angle", [0.0, 33.0, 201.7])
@pytest.mark.parametrize(("sd", "setback"), [(1.0, 0.0), (0.3, 0.6), (4.0, 2.5)])
def test_beside_a_straight_edge_the_probability_is_that_of_a_half_plane(
    sd: float, setback: float, angle: float
) -> None:
    away = np.linspace(-7 * sd, 7 * sd, 401) + setback
    along = np.linspace(-30, 30, 401)
    half = affinity.rotate(shapely.box(-FAR, -FAR, 0, FAR), angle, origin=(0, 0))
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    found = paved(half).chance_nearer(away * c - along * s, away * s + along * c, sd, setback)
    np.testing.assert_allclose(found, norm.cdf(setback, away, sd), atol=1e-6)


def test_at_the_coordinates_of_a_town_it_is_the_same_to_a_millionth() -> None:
    half = shapely.box(EAST - FAR, NORTH - FAR, EAST, NORTH + FAR)
    away = np.linspace(-2, 3, 101)
    found = paved(half).chance_nearer(EAST + away, NORTH + 7 * away, 0.7, 0.3)
    np.testing.assert_allclose(found, norm.cdf(0.3, away, 0.7), atol=1e-6)


def test_past_a_bare_line_lies_as_much_as_before_it() -> None:
    # A band on both sides of the line; away from it, where no node comes to the other side, to a millionth.
    away = np.linspace(-6, 6, 241)
    wanted = norm.cdf(0.8, away, 1.0) - norm.cdf(-0.8, away, 1.0)
    found = bare(shapely.LineString([(0, -FAR), (0, FAR)])).chance_nearer(away, 3 * away, 1.0, 0.8)
    np.testing.assert_allclose(found, wanted, atol=0.015)
    beside = np.abs(away) > 2.5
    np.testing.assert_allclose(found[beside], wanted[beside], atol=1e-6)


def test_nothing_is_inside_a_bare_line() -> None:
    x = np.linspace(-5, 5, 101)
    assert not bare(shapely.LineString([(0, -FAR), (0, FAR)])).chance_nearer(x, 0 * x, 1.0, 0.0).any()


def around_the_corner(seed: int) -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(seed)
    return rng.uniform(-4, 4, 120), rng.uniform(-4, 4, 120)


def test_at_a_square_corner_it_is_the_product_of_two_normals() -> None:
    x, y = around_the_corner(1)
    found = paved(shapely.box(-FAR, -FAR, 0, 0)).chance_nearer(x, y, 1.0, 0.0)
    np.testing.assert_allclose(found, norm.cdf(-x) * norm.cdf(-y), atol=0.015)


@pytest.mark.parametrize("setback", [0.0, 0.7])
def test_in_the_inside_of_a_corner_it_is_all_but_a_product(setback: float) -> None:
    x, y = around_the_corner(2)
    street = shapely.difference(shapely.box(-FAR, -FAR, FAR, FAR), shapely.box(0, 0, FAR, FAR))
    found = paved(street).chance_nearer(x, y, 1.0, setback)
    np.testing.assert_allclose(found, 1 - norm.sf(setback - x) * norm.sf(setback - y), atol=0.015)


@pytest.mark.parametrize("angle", [0.0, 17.0, 74.0])
@pytest.mark.parametrize("width", [0.05, 0.4, 1.5, 4.0])
def test_a_narrow_island_and_a_narrow_strip_are_what_lies_between_two_normals(width: float, angle: float) -> None:
    x, y = around_the_corner(3)
    c, s = np.cos(np.radians(angle)), np.sin(np.radians(angle))
    strip = shapely.box(-width / 2, -FAR, width / 2, FAR)
    field = shapely.box(-2 * FAR, -2 * FAR, 2 * FAR, 2 * FAR)
    strip, island = (affinity.rotate(g, angle, origin=(0, 0)) for g in (strip, shapely.difference(field, strip)))
    across = x * c + y * s
    between = norm.cdf(width / 2 - across) - norm.cdf(-width / 2 - across)
    np.testing.assert_allclose(paved(strip).chance_nearer(x, y, 1.0, 0.0), between, atol=0.015)
    np.testing.assert_allclose(paved(island).chance_nearer(x, y, 1.0, 0.0), 1 - between, atol=0.015)


@pytest.mark.parametrize("radius", [0.3, 1.0, 4.0, 11.0, 30.0, 160.0])
def test_a_disc_and_a_round_island_follow_the_noncentral_chi_square(radius: float) -> None:
    disc = shapely.Point(0, 0).buffer(radius, quad_segs=200)
    field = shapely.difference(shapely.box(-FAR, -FAR, FAR, FAR), disc)
    rng = np.random.default_rng(4)
    r, turn = np.abs(radius + rng.uniform(-4, 4, 100)), rng.uniform(0, 2 * np.pi, 100)
    wanted = ncx2.cdf(radius**2, 2, r**2)
    x, y = r * np.cos(turn), r * np.sin(turn)
    np.testing.assert_allclose(paved(disc).chance_nearer(x, y, 1.0, 0.0), wanted, atol=0.015)
    np.testing.assert_allclose(paved(field).chance_nearer(x, y, 1.0, 0.0), 1 - wanted, atol=0.015)


def test_the_setback_about_the_end_of_a_line_is_round() -> None:
    stub = bare(shapely.LineString([(0, 0), (1e-6, 0)]))
    r = np.linspace(0, 5, 60)
    wanted = ncx2.cdf(1.2**2, 2, r**2)
    np.testing.assert_allclose(stub.chance_nearer(0.6 * r, 0.8 * r, 1.0, 1.2), wanted, atol=0.015)


# --- probability: counting, and what must hold everywhere -------------------------------------------------------


@pytest.mark.parametrize(("sd", "setback"), [(1.0, 0.0), (0.6, 0.6), (3.0, 1.0), (12.0, 0.5)])
def test_about_a_crooked_block_it_is_what_counting_finds(sd: float, setback: float) -> None:
    area, lines = ring_block(), rings(ring_block())
    rng = np.random.default_rng(6)
    x, y = rng.uniform(-8, 58, 400), rng.uniform(-10, 34, 400)
    near = np.flatnonzero(shapely.distance(lines, shapely.points(x, y)) < setback + 2 * sd)[:8]
    x, y = x[near], y[near]
    assert len(near) == 8
    found = paved(area).chance_nearer(x, y, sd, setback)
    np.testing.assert_allclose(found, counted(area, x, y, sd, setback), atol=0.015)
    found = bare(lines).chance_nearer(x, y, sd, setback + 0.2)
    np.testing.assert_allclose(found, counted(lines, x, y, sd, setback + 0.2), atol=0.015)


def test_without_position_error_it_is_yes_or_no_and_at_the_setback_itself_no() -> None:
    square = paved(shapely.box(0, 0, 10, 10))
    x = np.array([5.0, 10, 10.4, 10.5, 10.6, 1e6])
    assert square.chance_nearer(x, np.full(6, 5.0), 0.0, 0.0).tolist() == [1, 0, 0, 0, 0, 0]
    assert square.chance_nearer(x, np.full(6, 5.0), 0.0, 0.5).tolist() == [1, 1, 1, 0, 0, 0]


def test_far_from_every_edge_it_is_0_outside_and_1_inside() -> None:
    square = paved(shapely.box(0, 0, 100, 100))
    found = square.chance_nearer(np.array([50.0, 108, 1e6]), np.array([50.0, 50, -1e6]), 1.0, 0.6)
    assert found.tolist() == [1, 0, 0]


def test_no_hydrants_give_no_probabilities() -> None:
    none = np.zeros(0)
    square = paved(shapely.box(0, 0, 1, 1))
    assert square.distance(none, none).shape == (0,)
    for sd in (0.0, 1.0):
        assert square.chance_nearer(none, none, sd, 0.6).shape == (0,)


def test_a_wider_setback_never_lowers_it_and_it_stays_between_0_and_1() -> None:
    rng = np.random.default_rng(7)
    x, y = rng.uniform(-8, 58, 400), rng.uniform(-10, 34, 400)
    block = paved(ring_block())
    found = np.stack([block.chance_nearer(x, y, 1.3, s) for s in (0.0, 0.2, 0.5, 1.0, 2.0, 4.0)])
    assert found.min() >= 0
    assert found.max() <= 1
    assert (np.diff(found, axis=0) >= -1e-6).all()


def test_the_unit_of_length_plays_no_part() -> None:
    rng = np.random.default_rng(8)
    x, y = rng.uniform(-8, 58, 400), rng.uniform(-10, 34, 400)
    area = ring_block()
    feet = shapely.transform(area, lambda c: c / FT)
    found = paved(feet).chance_nearer(x / FT, y / FT, 1.0 / FT, 0.6 / FT)
    # A node on the very edge may fall to either side: one of 987.
    np.testing.assert_allclose(found, paved(area).chance_nearer(x, y, 1.0, 0.6), atol=2.5 / 987)


def winding_road() -> shapely.Geometry:
    """20 km of road, 10 m wide, of some fourteen thousand vertices."""
    t = np.linspace(0, 20_000, 5000)
    return shapely.LineString(np.stack([t, 30 * np.sin(t / 200)], axis=1)).buffer(5)


def test_twenty_thousand_hydrants_along_a_winding_road_are_answered_each_as_if_alone() -> None:
    rng = np.random.default_rng(9)
    x = rng.uniform(0, 20_000, 20_000)
    y = 30 * np.sin(x / 200) + rng.uniform(-60, 60, 20_000)
    road = winding_road()
    pavement = paved(road)
    found = pavement.chance_nearer(x, y, 1.0, 0.6)
    some = np.flatnonzero((found > 0.02) & (found < 0.98))[:10]
    assert len(some) == 10
    np.testing.assert_allclose(found[some], counted(road, x[some], y[some], 1.0, 0.6), atol=0.015)
    for i in some.tolist():
        np.testing.assert_array_equal(pavement.chance_nearer(x[i : i + 1], y[i : i + 1], 1.0, 0.6), found[i])
    order = rng.permutation(2000)
    np.testing.assert_array_equal(pavement.chance_nearer(x[order], y[order], 1.0, 0.6), found[order])


# --- decision ---------------------------------------------------------------------------------------------------


def in_the_way(chance: float, after: float = -2.0, confidence: float = 0.9, **known: Any) -> Any:
    """The decision for a hydrant that ends `after` inches above ground and stands in the way with `chance`."""
    asked = replace(cases([after], **known), in_the_way=np.array([chance]))
    return rows(decide(asked, policy(confidence=confidence)))[0]


@pytest.mark.parametrize(
    ("chance", "confidence", "action"),
    [
        (1.0, 0.9, "relocate"),
        (0.9, 0.9, "relocate"),
        (0.8999, 0.9, "extend"),
        (0.9, 0.95, "extend"),
        (0, 0.9, "extend"),
    ],
)
def test_in_the_way_with_the_confidence_asked_for_is_relocate(chance: float, confidence: float, action: str) -> None:
    row = in_the_way(chance, confidence=confidence)
    assert row.action == action
    assert row.confidence == pytest.approx(chance if action == "relocate" else 1)


@pytest.mark.parametrize(
    ("after", "known"),
    [
        (4.0, {}),
        (-2.0, {}),
        (NAN, {}),
        (12.0, {}),
        (-90.0, {}),
        (1.0, {"spread": 3.0, "change": 3.0}),
        (1.0, {"ground_sd": 5.0}),
        (14.0, {"fitted": 12.0}),
    ],
    ids=["keep", "extend", "no_elevation", "too_high", "between_lengths", "measure", "on_site", "shorten"],
)
def test_relocate_comes_before_every_other_action_and_takes_no_parts(
    after: float, known: dict[str, float], request: pytest.FixtureRequest
) -> None:
    assert in_the_way(0.0, after, **known).action == request.node.callspec.id
    row = in_the_way(0.97, after, **known)
    assert (row.action, row.confidence, row.parts, row.second) == ("relocate", 0.97, (), None)
    # Nothing to order, whatever the ground; and what its flange would be is not told of a hydrant that moves away.
    assert (row.rise, row.new, row.out) == (0, 0, 0)
    assert np.isnan(row.final)


def test_what_no_job_reaches_is_outside_though_it_stands_in_the_way() -> None:
    row = in_the_way(1.0, outside=True)
    assert row.action == "outside"
    assert np.isnan(row.confidence)


def test_one_hydrant_in_the_way_changes_nothing_for_the_others() -> None:
    plain = cases([4.0, -2.0, NAN, 12.0, 1.0], ground_sd=[0, 0, 0, 0, 5.0])
    before = rows(decide(plain, policy()))
    after = rows(decide(replace(plain, in_the_way=np.array([0, 1.0, 0, 0.3, 0.2])), policy()))
    assert [r.action for r in after] == ["keep", "relocate", "no_elevation", "too_high", "on_site"]
    for i in (0, 3, 4):
        assert after[i] == before[i]


# --- assessment -------------------------------------------------------------------------------------------------

# One hydrant at (0, north); pavement south of y = 0.
SOUTH = shapely.box(-FAR, -FAR, FAR, 0)


def beside(north: float, sd: str = NORMAL, setback: str | None = "2 m", pavement: Any = None, **site: Any) -> Any:
    rules = {} if setback is None else {"setback_min": setback}
    plan = exact_plan(rules, hydrants__position_sd=sd, output__unit="m")
    known = {"measured": 4, "change": 8, "fitted": 0, **site}
    return assessed([Site(north=north, **known)], plan, pavement=pavement or paved(SOUTH))


def codes(a: Any, row: int = 0) -> set[str]:
    return set((cautions.as_text(a.cautions)[row] or "").split(";")) - {""}


def test_the_limits_of_relocate_and_of_doubt_are_where_the_normal_has_the_confidence() -> None:
    # 90 % of a normal lies below 1.2816 sds: with 0.5 m, 0.641 m to each side of the setback of 2 m.
    reach = 0.5 * norm.ppf(0.9)
    found = {}
    for name, north in (
        ("sure", 2 - reach - 0.001),
        ("near sure", 2 - reach + 0.001),
        ("near clear", 2 + reach - 0.001),
        ("clear", 2 + reach + 0.001),
    ):
        a = beside(north)
        found[name] = rows(a.decision)[0].action, "setback_doubt" in codes(a)
    assert found == {
        "sure": ("relocate", False),
        "near sure": ("extend", True),
        "near clear": ("extend", True),
        "clear": ("extend", False),
    }


def test_doubt_says_how_far_it_stands_and_to_measure_it() -> None:
    a = beside(2.2)
    assert a.reasons[0].endswith(" 2.2 m from the new pavement's edge, 2 m are needed: measure it.")
    assert "add " in a.reasons[0]  # what to do stays said
    assert "offset named in the reason" in cautions.MEANING["setback_doubt"]
    assert beside(-0.1, setback=None).reasons[0].endswith(" Inside the new pavement, 0.1 m from its edge: measure it.")


def test_a_clear_hydrant_hears_nothing_of_pavement() -> None:
    a = beside(20)
    assert a.reasons == assessed([Site(measured=4, change=8, fitted=0)], exact_plan(output__unit="m")).reasons
    assert not codes(a) & {"setback_doubt"}


def test_relocate_says_where_it_stands() -> None:
    assert beside(-3).reasons[0] == "Inside the new pavement, 3 m from its edge: relocate."
    assert beside(0.9).reasons[0] == "0.9 m from the new pavement's edge, 2 m are needed: relocate."


def test_relocate_is_not_firm_and_orders_nothing_where_an_extension_would_have() -> None:
    would = beside(20)
    assert would.firm.tolist() == [True]
    assert [line.quantity_order for line in would.order] == [1]
    a = beside(-3)
    assert a.firm.tolist() == [False]
    assert a.order == ()
    assert a.options == ()


@pytest.mark.parametrize("site", [{"change": None}, {"before": False}], ids=["no design", "no existing ground"])
def test_without_an_elevation_it_is_still_relocate(site: dict[str, Any]) -> None:
    assert rows(beside(20, **site).decision)[0].action == "no_elevation"
    row = rows(beside(-3, **site).decision)[0]
    assert (row.action, row.confidence) == ("relocate", 1)


def test_doubt_is_cautioned_where_an_elevation_is_missing_too() -> None:
    a = beside(2.2, change=None)
    assert rows(a.decision)[0].action == "no_elevation"
    assert "setback_doubt" in codes(a)
    assert a.reasons[0].endswith("2.2 m from the new pavement's edge, 2 m are needed: measure it.")


def test_bare_edges_ask_for_the_setback_on_both_of_their_sides() -> None:
    line = bare(shapely.LineString([(-FAR, 0), (FAR, 0)]))
    for north, action in ((1.0, "relocate"), (-1.0, "relocate"), (6.0, "extend"), (-6.0, "extend")):
        assert rows(beside(north, pavement=line).decision)[0].action == action
    assert beside(-1.0, pavement=line).reasons[0] == "1 m from the new pavement's edge, 2 m are needed: relocate."


def test_an_exact_place_is_never_in_doubt() -> None:
    for north, action in ((1.99, "relocate"), (2.01, "extend")):
        a = beside(north, sd="0 m")
        assert rows(a.decision)[0].action == action
        assert "setback_doubt" not in codes(a)


def test_outside_every_job_there_is_neither_relocation_nor_doubt() -> None:
    jobs = Jobs(("Q",), {"Q": None}, 15.0, (shapely.box(-5, -5, 5, 5),), (0,))
    plan = exact_plan({"setback_min": "2 m"}, hydrants__position_sd=NORMAL)
    # In the job; 20 m off it, still looked at; 40 m off it. All of them on pavement.
    for north, action in ((0.0, "relocate"), (25.0, "outside"), (45.0, "outside")):
        site = Site(measured=4, change=8, fitted=0, north=north)
        a = assessed([site], plan, jobs=jobs, pavement=paved(shapely.box(-90, -90, 90, 90)))
        assert rows(a.decision)[0].action == action
        assert "setback_doubt" not in codes(a)
        assert a.order == ()
    edge = assessed(
        [Site(measured=4, change=8, north=25.0)], plan, jobs=jobs, pavement=paved(shapely.box(-9, 27, 9, 90))
    )
    assert "setback_doubt" not in codes(edge)


# --- files ------------------------------------------------------------------------------------------------------


def block(left: float, low: float, right: float, high: float) -> shapely.Geometry:
    return shapely.box(EAST + left, NORTH + low, EAST + right, NORTH + high)


def write_edges(path: Path, shapes: Sequence[Any], crs: str = CRS) -> Path:
    """A layer of shapes in the square, brought into another reference system vertex by vertex."""
    series = gpd.GeoSeries(list(shapes), crs=CRS).to_crs(crs)
    gpd.GeoDataFrame({"n": list(range(len(series)))}, geometry=series, crs=crs).to_file(path)
    return path


def pavement_of(folder: Path, shapes: Sequence[Any], crs: str = CRS, work: str = CRS) -> tuple[Pavement, list[str]]:
    write_edges(folder / "edges.gpkg", shapes, crs)
    return read_pavement(Plan.parse(plan_values(after={"pavement": "edges.gpkg"}), folder), pyproj.CRS(work))


def test_several_polygons_that_overlap_or_touch_are_one_pavement(tmp_path: Path) -> None:
    pavement, notes = pavement_of(tmp_path, [block(0, 0, 20, 40), block(15, 0, 35, 40), block(35, 0, 50, 40)])
    # In the overlap and on the seam only the outline counts: 12 m to the south, 15 m to the east.
    found = pavement.distance(EAST + np.array([17.0, 35, 53]), NORTH + np.array([12.0, 20, 20]))
    np.testing.assert_allclose(found, [-12, -15, 3])
    assert notes == []


def test_heights_of_the_vertices_play_no_part(tmp_path: Path) -> None:
    raised = shapely.force_3d(block(0, 0, 20, 40), 300.0)
    pavement, _ = pavement_of(tmp_path, [raised])
    np.testing.assert_allclose(pavement.distance(EAST + np.array([17.0, 25]), NORTH + np.array([20.0, 20])), [-3, 5])


@pytest.mark.parametrize("crs", ["EPSG:4326", IOWA_FEET, "EPSG:3857"])
def test_edges_in_another_reference_system_lie_where_they_lie(tmp_path: Path, crs: str) -> None:
    shape = block(0, 0, 20, 40)
    there, _ = pavement_of(tmp_path, [shape], crs=crs)
    x, y = EAST + np.array([3.0, 10, 21, 90]), NORTH + np.array([5.0, 39, 20, 90])
    # Files keep degrees to about a hundredth of a millimetre.
    np.testing.assert_allclose(there.distance(x, y), paved(shape).distance(x, y), atol=1e-3)


def test_a_broken_polygon_is_mended_aloud_and_counts_with_all_others(tmp_path: Path) -> None:
    # One with a spike, one that crosses itself, one in order.
    def ring(*corners: tuple[float, float]) -> shapely.Geometry:
        return shapely.Polygon([(EAST + x, NORTH + y) for x, y in corners])

    spiked = ring((0, 0), (20, 0), (20, 20), (30, 20), (20, 20), (0, 20))
    bow = ring((40, 0), (60, 20), (60, 0), (40, 20))
    for shapes in ([spiked], [spiked, bow, block(80, 0, 100, 20)]):
        pavement, notes = pavement_of(tmp_path, shapes)
        assert "mended" in " ".join(notes)
        found = pavement.distance(EAST + np.array([5.0, -4]), NORTH + np.array([10.0, 10]))
        np.testing.assert_allclose(found, [-5, 4])
    assert (pavement.distance(EAST + np.array([58.0, 42, 83]), NORTH + np.array([10.0, 10, 10])) < 0).all()
    assert pavement.chance_nearer(EAST + np.array([5.0, 83]), NORTH + np.array([10.0, 10]), 0.1, 0.0).tolist() == [1, 1]


def test_a_collection_of_a_polygon_and_a_line_is_taken_for_its_polygon(tmp_path: Path) -> None:
    mixed = shapely.GeometryCollection([block(0, 0, 20, 20), shapely.LineString([point(50, 0), point(50, 20)])])
    pavement, _ = pavement_of(tmp_path, [mixed])
    np.testing.assert_allclose(pavement.distance(EAST + np.array([5.0, 24]), NORTH + np.array([10.0, 10])), [-5, 4])


PLACES = [(10, 50), (21, 50), (23.1, 50), (40, 41), (70, 62)]


def plan_beside(
    folder: Path,
    shapes: Sequence[Any] | None,
    places: Sequence[tuple[float, float]] = PLACES,
    *,
    edges: str = "edges.gpkg",
    crs: str = CRS,
    ground: Any = 100.5,
    **sections: Any,
) -> Plan:
    """Hydrants whose ground rises 6 in, all 4 in above it now; setback 3 m, positions to 0.5 m."""
    if shapes is not None:
        write_edges(folder / edges, shapes, crs)
    count = len(places)
    columns = {"asset_id": [f"H-{i + 1}" for i in range(count)], "flange_in": [4.0] * count, "ext": [0.0] * count}
    hydrants(columns, places).to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder, 100.0, ground)
    usual: dict[str, Any] = {
        "hydrants": {"position_sd": NORMAL, "extension_fitted": {"column": "ext", "unit": "in"}},
        "after": {"pavement": edges, "beyond": "missing"},
        "policy": {"setback_min": "3 m"},
    }
    merged = {k: {**usual.get(k, {}), **sections.get(k, {})} for k in {**usual, **sections}}
    return Plan.parse(plan_values(**merged), folder)


def by_id(result: Result) -> pd.DataFrame:
    return result.hydrants.set_index("hydrant_id")


ROAD = block(0, 0, 20, 100)  # its east edge is at x = 20


def test_a_plan_with_pavement_tells_relocate_from_doubt_from_clear(tmp_path: Path) -> None:
    got = by_id(compute(plan_beside(tmp_path, [ROAD])))
    assert got.action.tolist() == ["relocate", "relocate", "extend", "extend", "extend"]
    assert ["setback_doubt" in str(c) for c in got.cautions] == [False, False, True, False, False]
    # 10 m are 32.81 ft, 1 m 3.28 ft, 3 m 9.84 ft, 3.1 m 10.17 ft.
    assert got.reason["H-1"] == "Inside the new pavement, 32.81 ft from its edge: relocate."
    assert got.reason["H-2"] == "3.28 ft from the new pavement's edge, 9.84 ft are needed: relocate."
    assert "add 6 in" in got.reason["H-3"]
    assert "10.17 ft from the new pavement's edge, 9.84 ft are needed: measure it." in got.reason["H-3"]
    assert not got.reason[["H-4", "H-5"]].str.contains("pavement").any()
    assert got.confidence["H-1"] == pytest.approx(1, abs=1e-6)
    assert got.confidence["H-2"] == pytest.approx(norm.cdf(2 / 0.5), abs=1e-6)
    assert got.firm.tolist() == [False, False, True, True, True]
    assert got.extension_in.tolist() == [0, 0, 6, 6, 6]
    assert got.extension_parts.isna().tolist() == [True, True, False, False, False]


def test_the_order_leaves_relocated_hydrants_out_and_says_how_many(tmp_path: Path) -> None:
    result = run(plan_beside(tmp_path, [ROAD]))
    out = tmp_path / "out"
    assert result.order.quantity_order.tolist() == [3]
    assert pd.read_csv(out / "order.csv").quantity_order.tolist() == [3]
    assert result.summary["actions"] == {"extend": 3, "relocate": 2}
    assert "2 hydrants to be relocated are left out." in summary_text(result.summary)
    sheet = openpyxl.load_workbook(out / "order.xlsx").active
    said = [str(cell.value) for row in sheet.iter_rows() for cell in row if cell.value is not None]
    assert any("2 hydrants to be relocated are left out." in str(text) for text in said)


def test_where_all_are_to_be_relocated_the_empty_order_says_so(tmp_path: Path) -> None:
    result = run(plan_beside(tmp_path, [ROAD], [(10, 50)]))
    assert len(result.order) == 0
    text = summary_text(result.summary)
    assert "Nothing to order." in text
    assert "1 hydrant to be relocated is left out." in text
    sheet = openpyxl.load_workbook(tmp_path / "out" / "order.xlsx").active
    assert any("1 hydrant to be relocated is left out." in str(c.value) for row in sheet.iter_rows() for c in row)


def test_the_written_layer_keeps_relocated_hydrants_with_id_and_place(tmp_path: Path) -> None:
    run(plan_beside(tmp_path, [ROAD]))
    layer = gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="hydrants").set_index("hydrant_id")
    assert layer.index.tolist() == ["H-1", "H-2", "H-3", "H-4", "H-5"]
    assert layer.action.tolist() == ["relocate", "relocate", "extend", "extend", "extend"]
    assert layer.geometry["H-2"].equals(point(21, 50))
    assert len(gpd.read_file(tmp_path / "out" / "gradecheck.gpkg", layer="rejected")) == 0


def test_a_relocated_hydrant_needs_no_elevation(tmp_path: Path) -> None:
    def hole(x: np.ndarray, _: np.ndarray) -> np.ndarray:
        return np.where(x < 60, np.nan, 100.5)

    got = by_id(compute(plan_beside(tmp_path, [ROAD], ground=hole)))
    assert got.action.tolist() == ["relocate", "relocate", "no_elevation", "no_elevation", "extend"]
    assert got.grade_after_ft.isna().tolist() == [True, True, True, True, False]
    assert got.confidence["H-1"] == pytest.approx(1, abs=1e-6)


def test_a_hydrant_on_the_pavement_that_no_job_reaches_is_outside(tmp_path: Path) -> None:
    write_edges(tmp_path / "paving.gpkg", [block(0, 0, 20, 30)])
    paving = {"path": "paving.gpkg", "job": "n"}
    # 10 m, 20 m and 60 m north of the job, which reaches 15 m.
    got = by_id(compute(plan_beside(tmp_path, [ROAD], [(10, 40), (10, 50), (10, 90)], paving=paving)))
    assert got.action.tolist() == ["relocate", "outside", "outside"]
    assert got.confidence.isna().tolist() == [False, True, True]


def test_lines_of_the_edge_alone_are_enough_for_the_setback(tmp_path: Path) -> None:
    lines = [shapely.LineString([point(x, 0), point(x, 100)]) for x in (0, 20)]
    got = by_id(compute(plan_beside(tmp_path, lines)))
    # The first stands in the middle, 10 m from both edges: lines do not say that it is on the pavement.
    assert got.action.tolist() == ["extend", "relocate", "extend", "extend", "extend"]
    assert "setback_doubt" in got.cautions["H-3"]
    assert got.reason["H-2"] == "3.28 ft from the new pavement's edge, 9.84 ft are needed: relocate."


def test_without_setback_min_only_the_inside_counts_and_that_is_said(tmp_path: Path) -> None:
    result = compute(plan_beside(tmp_path, [ROAD], policy={"setback_min": None}))
    got = by_id(result)
    # 1 m off the edge is 2 sds: 2.3 % are no doubt.
    assert got.action.tolist() == ["relocate", "extend", "extend", "extend", "extend"]
    assert not got.cautions.str.contains("setback_doubt").fillna(False).any()
    assert [a for a in result.summary["assumed"] if "setback_min" in a and "inside the new pavement" in a]
    stated = compute(plan_beside(tmp_path, [ROAD]))
    assert not [a for a in stated.summary["assumed"] if "setback" in a]


def test_a_plan_without_pavement_asks_nothing_of_it(tmp_path: Path) -> None:
    result = compute(plan_beside(tmp_path, None, after={"pavement": None}))
    assert result.summary["actions"] == {"extend": 5}
    assert not result.hydrants.reason.str.contains("pavement").any()


def test_where_no_hydrant_is_near_the_pavement_all_is_as_without_it(tmp_path: Path) -> None:
    far = compute(plan_beside(tmp_path, [block(5000, 0, 5020, 100)]))
    without = compute(plan_beside(tmp_path, None, after={"pavement": None}))
    pd.testing.assert_frame_equal(pd.DataFrame(far.hydrants), pd.DataFrame(without.hydrants))


def test_exact_positions_are_told_apart_at_the_setback(tmp_path: Path) -> None:
    places = [(22.99, 50), (23.01, 50)]
    got = by_id(compute(plan_beside(tmp_path, [ROAD], places, hydrants={"position_sd": "0 m"})))
    assert got.action.tolist() == ["relocate", "extend"]
    assert got.confidence.tolist() == [1, 1]


@pytest.mark.parametrize("unit", ["mm", "cm", "m"])
def test_distances_are_in_metres_where_heights_are_metric(tmp_path: Path, unit: str) -> None:
    got = by_id(compute(plan_beside(tmp_path, [ROAD], output={"unit": unit})))
    assert got.reason["H-2"] == "1 m from the new pavement's edge, 3 m are needed: relocate."


def test_a_working_system_in_feet_finds_the_same(tmp_path: Path) -> None:
    places = [(10, 50), *[(20 + d, 37 + 3 * d) for d in (2.0, 2.5, 3.0, 3.5, 4.5)]]
    plan = plan_beside(tmp_path, [ROAD], places, project={"crs": IOWA_FEET})
    got = by_id(compute(plan))
    # Judged in feet by geopandas and shapely; ground and grid differ by less than 1 in 1000 there.
    edge = gpd.GeoSeries([ROAD], crs=CRS).to_crs(IOWA_FEET)[0]
    at = gpd.GeoSeries([point(*p) for p in places], crs=CRS).to_crs(IOWA_FEET)
    metres = at.distance(edge.exterior).to_numpy() * US_FT * np.where(at.within(edge), -1, 1)
    wanted = norm.cdf(3, metres, 0.5)
    relocate = wanted >= 0.9
    doubt = (wanted > 0.1) & ~relocate
    assert relocate.tolist() == [True, True, False, False, False, False]
    assert (got.action == "relocate").tolist() == relocate.tolist()
    assert got.cautions.str.contains("setback_doubt").fillna(False).tolist() == doubt.tolist()
    np.testing.assert_allclose(got.confidence[relocate], wanted[relocate], atol=1e-6)
    for text, away in zip(got.reason[relocate | doubt], metres[relocate | doubt], strict=True):
        assert float(re.search(r"([\d.]+) ft from", text)[1]) == pytest.approx(abs(away) / FT, abs=0.006)


def test_hydrants_in_one_system_and_edges_in_another_meet(tmp_path: Path) -> None:
    for crs in (IOWA_FEET, "EPSG:4326"):
        got = by_id(compute(plan_beside(tmp_path, [ROAD], crs=crs)))
        assert got.action.tolist() == ["relocate", "relocate", "extend", "extend", "extend"]
        assert got.reason["H-2"].startswith("3.28 ft from")


def refused(plan: Plan) -> list[str]:
    """What stands in the way of the run, and of nothing less than the run: `inspect` says the same."""
    with pytest.raises(InputError) as error:
        compute(plan)
    found = [str(f) for f in error.value.findings]
    assert [str(f) for f in inspect(plan).stops] == found
    return found


def test_pavement_that_cannot_be_used_is_one_clear_message(tmp_path: Path) -> None:
    (said,) = refused(plan_beside(tmp_path, None, edges="none.gpkg"))
    assert "after.pavement" in said
    assert "no such file: none.gpkg" in said
    for shapes in ([], [point(5, 5), point(7, 9)]):
        (said,) = refused(plan_beside(tmp_path, shapes))
        assert said.startswith("after.pavement: edges.gpkg has no usable polygons or lines")
    (tmp_path / "torn.gpkg").write_bytes(b"SQLite format 3\0 and no more")
    (said,) = refused(plan_beside(tmp_path, None, edges="torn.gpkg"))
    assert "torn.gpkg cannot be read" in said


@pytest.mark.filterwarnings("ignore:'crs' was not provided")
def test_pavement_without_a_reference_system_is_refused(tmp_path: Path) -> None:
    gpd.GeoDataFrame({"n": [1]}, geometry=[ROAD]).to_file(tmp_path / "edges.gpkg")
    (said,) = refused(plan_beside(tmp_path, None))
    assert said.startswith("after.pavement: edges.gpkg has no reference system")


def test_pavement_is_told_together_with_what_else_is_wrong(tmp_path: Path) -> None:
    said = refused(plan_beside(tmp_path, None, edges="none.gpkg", catalog={"path": "no.toml"}))
    assert len(said) == 2
    assert "none.gpkg" in " ".join(said)
    assert "no.toml" in " ".join(said)


def test_rows_of_points_among_polygons_are_passed_over_aloud(tmp_path: Path) -> None:
    result = compute(plan_beside(tmp_path, [point(5, 5), ROAD, None]))
    assert result.summary["actions"] == {"extend": 3, "relocate": 2}
    assert [w for w in result.summary["warnings"] if "passed over: 1, 3" in w]


def test_run_json_lists_the_pavement_file_with_its_digest(tmp_path: Path) -> None:
    run(plan_beside(tmp_path, [ROAD]))
    listed = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    (entry,) = [i for i in listed["inputs"] if i["role"] == "pavement"]
    data = (tmp_path / "edges.gpkg").read_bytes()
    assert entry == {
        "role": "pavement",
        "path": "edges.gpkg",
        "bytes": len(data),
        "sha256": hashlib.sha256(data).hexdigest(),
    }
    assert listed["plan"]["after"]["pavement"] == "edges.gpkg"
    assert listed["plan"]["policy"]["setback_min"] == "3 m"
    assert listed["actions"] == {"extend": 3, "relocate": 2}


def test_run_json_lists_all_parts_of_a_shapefile_of_pavement(tmp_path: Path) -> None:
    run(plan_beside(tmp_path, [ROAD], edges="edges.shp"))
    listed = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    parts = {i["path"] for i in listed["inputs"] if i["role"] == "pavement"}
    assert parts >= {"edges.shp", "edges.shx", "edges.dbf", "edges.prj"}


# --- what is said of the pavement itself ---------------------------------------------------------------------------


def small(folder: Path, **sections: Any) -> Plan:
    """The tiny project with more in its plan."""
    tiny_plan(folder)
    return Plan.parse(plan_values(**sections), folder)


def test_lines_of_the_edge_alone_need_a_setback(tmp_path: Path) -> None:
    plan = small(tmp_path, after={"pavement": "edge.gpkg"})
    edge = gpd.GeoDataFrame(geometry=[shapely.LineString([(EAST, NORTH + 30), (EAST + 100, NORTH + 30)])], crs=CRS)
    edge.to_file(tmp_path / "edge.gpkg")
    with pytest.raises(InputError) as told:
        compute(plan)
    assert [f.where for f in told.value.findings] == ["policy.setback_min"]
    stated = small(tmp_path, after={"pavement": "edge.gpkg"}, policy={"setback_min": "8 m"})
    result = compute(stated)
    assert result.hydrants.action.tolist()[0] == "relocate"
    assert any("which side is paved is not known" in w for w in result.summary["warnings"])


def test_a_setback_without_a_pavement_and_a_pavement_far_away_are_said(tmp_path: Path) -> None:
    result = compute(small(tmp_path, policy={"setback_min": "8 m"}))
    assert any("no [after] pavement" in w for w in result.summary["warnings"])
    box = gpd.GeoDataFrame(geometry=[shapely.box(EAST + 900, NORTH, EAST + 950, NORTH + 9)], crs=CRS)
    box.to_file(tmp_path / "far.gpkg")
    result = compute(small(tmp_path, after={"pavement": "far.gpkg"}))
    assert any("the new pavement lies 8" in w and "from every hydrant" in w for w in result.summary["warnings"])


def test_a_file_of_several_layers_is_told_under_the_key_that_names_it(tmp_path: Path) -> None:
    box = gpd.GeoDataFrame(geometry=[shapely.box(EAST, NORTH, EAST + 50, NORTH + 9)], crs=CRS)
    for layer in ("a", "b"):
        box.to_file(tmp_path / "two.gpkg", layer=layer)
    with pytest.raises(InputError) as told:
        compute(small(tmp_path, after={"pavement": "two.gpkg"}))
    finding = told.value.findings[0]
    assert (finding.where, finding.mend) == ("after.pavement", "keep it in a file of its own")
    with pytest.raises(InputError) as told:
        compute(small(tmp_path, after={"pavement": "gone.gpkg"}))
    assert told.value.findings[0].where == "after.pavement"
