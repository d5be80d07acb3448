"""Roads as ground: carried on their section, tied into the old ground, unknown past their ends, told by station."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from gradecheck import surfaces
from gradecheck.roads.alignment import Alignment
from gradecheck.roads.crosssections import CrossSections
from gradecheck.roads.locate import Locator
from gradecheck.roads.profile import Bend, Profile
from gradecheck.surfaces import OFF_SECTION, OUTSIDE, PAST_END, TIED_IN, UNMET, Layered
from gradecheck.surfaces.corridor import Corridor, Road
from gradecheck.surfaces.design import INSIDE, SHORT, UNCHANGED, UNKNOWN, Design
from tests.cases import Ground
from tests.corridors import EAST, FT, HERE, NORTH, ask, carrying, corridor, plane_road, road, tell, worked

STRAIGHT = [(0.0, 0.0), (100.0, 0.0)]  # due east, so that north is left


def test_the_worked_section_stands_at_its_height_seventeen_feet_out() -> None:
    # Handbook example: centreline 1319.85 ft at 57+00 of the crest curve; 1320.09 ft at offset 17.0 ft right.
    line = Alignment.polyline("Sorrel St", np.array([(EAST, NORTH), (EAST + 2000.0, NORTH)]), station=5000.0)
    # The published curve: PVI 56+50 at 1325.00 ft, +5.0 % to -3.5 %, 500 ft (Mahun, vertical curves, self-study).
    crest = Profile.of("crest", [Bend(5000, 1325 - 0.05 * 650), Bend(5650, 1325, 500), Bend(7000, 1325 - 0.035 * 1350)])
    surface = Corridor(
        (Road(line, crest, worked()),), Locator((line,)), HERE, "ft", FT, carrying(reach=30.0), None
    )  # fmt: skip
    heights = surface.heights(np.array([EAST + 700.0]), np.array([NORTH - 17.0]))
    assert heights.z[0] / FT == pytest.approx(1320.09, abs=0.005)
    assert heights.names == ("Sorrel St",)
    assert surface.tell(np.array([EAST + 700.0]), np.array([NORTH - 17.0])).text == ["Sorrel St 57+00.0, 17.0 ft R"]


def test_past_the_end_of_the_road_or_of_its_profile_nothing_is_known() -> None:
    short = Profile.of("short", [Bend(20, 100), Bend(80, 100)])
    line = road(STRAIGHT, [100, 100]).alignment
    surface = corridor(Road(line, short, worked()))
    heights = ask(surface, (-1, 3), (10, 3), (20, 3), (80, 3), (90, 3), (101, -3), (140, 0))
    assert np.isfinite(heights.z).tolist() == [False, False, True, True, False, False, False]
    assert heights.source[[0, 1, 4, 5]].tolist() == [PAST_END] * 4
    assert heights.source[6] == OUTSIDE


def test_without_a_section_the_profile_is_carried_level_and_its_error_grows() -> None:
    surface = corridor(road(STRAIGHT, [100, 101]), sd=0.03, slope_sd=0.04)
    heights = ask(surface, (50, 0), (50, -10), (50, 10), (50, 31))
    assert heights.z[:3] == pytest.approx([100.5] * 3)
    assert heights.sd[:3] == pytest.approx([0.03, 0.5 * np.hypot(0.06, 0.8), 0.5 * np.hypot(0.06, 0.8)])
    assert heights.source[3] == OUTSIDE
    assert tell(surface, (50, 10)).text == ["Sorrel St 0+050.0, 10.0 m L (profile carried level, no section)"]


def test_past_its_section_a_road_says_nothing_unless_it_is_told_how_it_ties_in() -> None:
    old = Ground(lambda x, y: np.full(len(x), 99.0))
    for surface in (
        corridor(road(STRAIGHT, [100, 100], worked())),
        corridor(road(STRAIGHT, [100, 100], worked()), old=old),
    ):
        heights = ask(surface, (50, 17.1 * FT), (50, 16.9 * FT))
        assert heights.source.tolist() == [OFF_SECTION, 0]
    assert Design(surface, None, None).silence(np.array([EAST + 50]), np.array([NORTH + 9.0])) == [UNKNOWN]


# Old ground that rises by 5 % to the left (north), 99 m on the line. A level road at 100 m, 6 m to each side, ties 1:2.
# left: the fill is 100 - 99.3 = 0.7 m at the edge; down 0.5, ground up 0.05 a metre: they meet 0.7/0.55 m out.
# right: 100 - 98.7 = 1.3 m; down 0.5, ground down 0.05: they meet 1.3/0.45 m out. Worked by hand.
MEETS = {1: 0.7 / 0.55, -1: 1.3 / 0.45}


def hillside(x, y):
    return 99.0 + 0.05 * (np.asarray(y) - NORTH)


@pytest.mark.parametrize("side", [1, -1])
def test_a_fill_slopes_down_to_where_it_meets_the_old_ground_and_no_further(side: int) -> None:
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.5)), old=Ground(hillside))
    meet = MEETS[side]
    heights = ask(surface, *[(50, side * (6 + share * meet)) for share in (0.1, 0.5, 0.999, 1.001, 1.5, 5.0)])
    assert heights.z[:3] == pytest.approx([100 - 0.5 * share * meet for share in (0.1, 0.5, 0.999)])
    assert heights.source.tolist() == [0, 0, 0, TIED_IN, TIED_IN, TIED_IN]
    assert np.isnan(heights.sd[3:]).all()
    told = tell(surface, (50, side * (6 + 0.5 * meet))).text[0]
    assert told.endswith(f"(on the slope to the existing ground, met {0.5 * meet:.1f} m farther out)")


def test_a_cut_slopes_up_to_the_old_ground() -> None:
    old = Ground(lambda x, y: np.full(len(x), 101.5))
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.5)), old=old)
    heights = ask(surface, (50, 7), (50, -8), (50, 8.99), (50, 9.01))
    assert heights.z[:3] == pytest.approx([100.5, 101.0, 101.495])
    assert heights.source[3] == TIED_IN


def test_a_slope_that_meets_a_mound_ends_there_although_the_ground_falls_again_behind_it() -> None:
    mound = Ground(lambda x, y: np.where(np.abs(np.abs(y - NORTH) - 9) < 0.6, 103.0, 97.0))
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.2)), old=mound)
    heights = ask(surface, (50, 8), (50, 9), (50, 12))
    assert heights.source.tolist() == [0, TIED_IN, TIED_IN]


def test_where_the_old_ground_is_unknown_on_the_way_nobody_knows_the_slope_s_end() -> None:
    gap = Ground(lambda x, y: np.where(np.abs(y - NORTH) < 8, 99.0, np.nan))
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.1)), old=gap)
    heights = ask(surface, (50, 7.5), (50, 8.5))
    assert heights.source.tolist() == [0, UNMET]


def test_a_section_wider_than_the_reach_is_still_spoken_for() -> None:
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.01, 26.0)), reach=15.0)
    heights = ask(surface, (50, 25), (50, -25.9), (50, 26.5))
    assert heights.z[:2] == pytest.approx([100.25, 99.741])
    assert heights.source[2] == OUTSIDE
    assert surface.contested(np.array([EAST + 50.0]), np.array([NORTH + 25.0])).tolist() == [False]


def test_past_the_reach_a_slope_that_has_not_met_the_ground_leaves_it_unknown_and_never_unchanged() -> None:
    # 6 m of fill at 1 in 3: the slope ends 18 m past the section's 6 m, at 24 m; the reach is 15 m.
    low = Ground(lambda x, y: np.full(len(x), 94.0))
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=1 / 3)), old=low, reach=15.0)
    places = [(50, 14), (50, 16), (50, 23.9), (50, 24.1), (50, 40)]
    heights = ask(surface, *places)
    assert heights.source.tolist() == [0, UNMET, UNMET, OUTSIDE, OUTSIDE]
    x, y = EAST + np.array([p[0] for p in places]), NORTH + np.array([p[1] for p in places])
    told = Design(surface, None, 9.144, 9.144).silence(x, y)
    assert told.tolist()[1:] == [INSIDE, INSIDE, SHORT, UNCHANGED]


def test_past_the_meeting_the_ground_is_unchanged_however_near_the_design_is() -> None:
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.5)), old=Ground(hillside))
    for limits in (None, shapely.box(EAST - 50, NORTH - 50, EAST + 150, NORTH + 50)):
        design = Design(surface, limits, 9.0)
        assert design.silence(np.array([EAST + 50.0]), np.array([NORTH + 8.0])).tolist() == [UNCHANGED]


def test_near_other_ground_of_the_design_a_tie_in_says_nothing() -> None:
    # A crossing designed as other ground begins at x = 60; the road's own tie-in is met 1.3 m past its section.
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=0.5)), old=Ground(hillside))
    other = Ground(lambda x, y: np.where(x - EAST > 60, 100.0, np.nan), extent=shapely.box(EAST + 60, 0, 1e6, 5e6))
    x, y = EAST + np.array([40.0, 55.0]), NORTH + np.array([9.0, 9.0])
    assert Design(Layered((other, surface)), None, 9.0, 9.0).silence(x, y).tolist() == [UNCHANGED, SHORT]
    assert Design(Layered((other, surface)), None, None, 9.0).silence(x, y).tolist() == [UNCHANGED, UNKNOWN]
    assert Design(surface, None, 9.0, 9.0).silence(x, y).tolist() == [UNCHANGED, UNCHANGED]


def test_over_a_stated_width_the_change_fades_to_nothing() -> None:
    # At the section's end, 6 m out, the design stands 100 - 99.3 = 0.7 m above the old ground; halfway through the
    # tie-in 0.35 m of that is left, on old ground of 99.4 m.
    surface = corridor(road(STRAIGHT, [100, 100], plane_road(0.0, 6.0)), old=Ground(hillside), tie_in=4.0)
    heights = ask(surface, (50, 6), (50, 8), (50, 9.99), (50, 10.01))
    assert heights.z[:3] == pytest.approx([100, 99.4 + 0.35, hillside(0, NORTH + 9.99) + 0.7 * 0.0025])
    assert heights.sd[1] == pytest.approx(np.hypot(0.02, 0.02 * 2))
    assert heights.source[3] == TIED_IN
    assert "fading into the existing ground" in tell(surface, (50, 8)).text[0]


def test_the_change_of_a_bare_profile_is_carried_on_the_old_ground() -> None:
    # The profile stands 1 m above the old ground on the line; 5 m out half of that is left of a 10 m tie-in.
    surface = corridor(road(STRAIGHT, [100, 100]), old=Ground(hillside), tie_in=10.0, carry="change", slope_sd=0.01)
    heights = ask(surface, (50, 0), (50, 5), (50, -5), (50, 10.5))
    assert heights.z[:3] == pytest.approx([100, 99.25 + 0.5, 98.75 + 0.5])
    assert heights.sd[:3] == pytest.approx([0.02, np.hypot(0.02, 0.05), np.hypot(0.02, 0.05)])
    assert heights.source[3] == TIED_IN
    assert tell(surface, (50, -5)).text == ["Sorrel St 0+050.0, 5.0 m R (profile's change carried, no section)"]


def test_without_a_tie_in_the_change_is_carried_out_to_the_reach() -> None:
    surface = corridor(road(STRAIGHT, [100, 100]), old=Ground(hillside), carry="change")
    heights = ask(surface, (50, 20), (50, 31))
    assert heights.z[0] == pytest.approx(101.0)
    assert heights.source[1] == OUTSIDE


# --- several roads -------------------------------------------------------------------------------------------------


def crossing(tansy: float = 100.3, **settings):
    """Sorrel St due east at 100 m, wide; Tansy Ln due north across it at 50 m, narrow, at another height."""
    sorrel = road(STRAIGHT, [100, 100], plane_road(0.0, 12.0))
    other = road([(50, -60), (50, 60)], [tansy, tansy], plane_road(0.0, 6.0), name="Tansy Ln")
    return corridor(sorrel, other, **settings)


def test_at_a_crossing_the_road_whose_edge_is_nearest_answers() -> None:
    # 8 m north of one line and 5 m east of the other: 4 m inside Sorrel's edge, 1 m inside Tansy's.
    surface = crossing()
    assert ask(surface, (55, 8)).z == pytest.approx([100.0])
    assert ask(surface, (51, 11)).z == pytest.approx([100.3])
    assert surface.contested(EAST + np.array([55.0, 95.0]), NORTH + np.array([8.0, 8.0])).tolist() == [True, False]


def test_the_road_that_is_preferred_answers_where_it_can_and_no_other_does() -> None:
    surface = crossing().preferring("Tansy Ln")
    assert ask(surface, (55, 8)).z == pytest.approx([100.3])
    assert ask(surface, (60, 8)).source.tolist() == [OFF_SECTION]  # past Tansy's section, though on Sorrel's
    assert ask(surface, (95, 8)).z == pytest.approx([100.0])  # out of Tansy's reach
    assert ask(crossing().preferring("no such road"), (55, 8)).z == pytest.approx([100.0])


def test_where_two_roads_differ_by_more_than_the_window_both_are_told() -> None:
    told = tell(crossing(window=0.1), (55, 8))
    assert told.disagree.tolist() == [True]
    assert told.text == ["Sorrel St 0+055.0, 8.0 m L; Tansy Ln 0+068.0, 5.0 m R says 0.3 m higher"]
    assert tell(crossing(window=0.5), (55, 8)).disagree.tolist() == [False]


def test_ground_is_unchanged_only_where_every_road_within_reach_says_so() -> None:
    old = Ground(lambda x, y: np.full(len(x), 99.9))
    sorrel = road(STRAIGHT, [100, 100], plane_road(0.0, 6.0, tie_slope=1.0))
    tied = road([(0, 30), (100, 30)], [100, 100], plane_road(0.0, 6.0, tie_slope=1.0), name="Tied Rd")
    loose = road([(0, 30), (100, 30)], [100, 100], plane_road(0.0, 6.0), name="Loose Rd")
    assert ask(corridor(sorrel, tied, old=old), (50, 15)).source.tolist() == [TIED_IN]
    assert ask(corridor(sorrel, loose, old=old), (50, 15)).source.tolist() == [OFF_SECTION]
    assert ask(corridor(sorrel, loose, old=old), (50, 26)).source.tolist() == [1]


def test_a_side_street_that_ends_at_the_main_road_leaves_it_to_it() -> None:
    main = road(STRAIGHT, [100, 100], plane_road(0.0, 12.0))
    side = road([(50, 10), (50, 60)], [100.2, 101], plane_road(0.0, 5.0), name="Side St")
    heights = ask(corridor(main, side), (50, 8), (57, 11), (57, 13))
    assert heights.source.tolist() == [0, 0, OFF_SECTION]


# --- cross-sections -------------------------------------------------------------------------------------------------


def surveyed() -> CrossSections:
    return CrossSections(
        "existing",
        np.array([0.0, 50.0, 100.0]),
        (np.array([-10.0, 0, 10]), np.array([-12.0, 0, 8]), np.array([-10.0, 10])),
        (np.array([99.0, 100, 99]), np.array([100.0, 101, 103]), np.array([101.0, 101])),
    )


def test_cross_sections_are_straight_across_and_between_stations() -> None:
    surface = corridor(Road(road(STRAIGHT, [0, 0]).alignment, surveyed()))
    # By hand. Offsets are + to the right, which is south here.
    places = [(0, -5), (50, -4), (25, -8), (75, -8), (25, -9), (50, 12), (50, 13)]
    expected = [99.5, 102.0, (99.2 + 103) / 2, (103 + 101) / 2, np.nan, 100.0, np.nan]
    heights = ask(surface, *places)
    assert heights.z == pytest.approx(expected, nan_ok=True)
    assert heights.source[[4, 6]].tolist() == [OFF_SECTION] * 2


# --- as any surface --------------------------------------------------------------------------------------------------


def test_roads_lie_under_and_over_other_ground() -> None:
    top = corridor(road([(0, 0), (40, 0)], [100, 100], plane_road(0.0, 6.0)))
    under = corridor(road(STRAIGHT, [90, 90], plane_road(0.0, 12.0), name="Under Rd"))
    both = Layered((top, under))
    x, y = EAST + np.array([20.0, 20.0, 60.0, 20.0]), NORTH + np.array([5.0, 9.0, 5.0, 20.0])
    heights = both.heights(x, y)
    assert heights.z == pytest.approx([100, 90, 90, np.nan], nan_ok=True)
    told = surfaces.tell(both, x[:3], y[:3], heights.source[:3], heights.names)
    assert told.text == ["Sorrel St 0+020.0, 5.0 m L", "Under Rd 0+020.0, 9.0 m L", "Under Rd 0+060.0, 5.0 m L"]


def test_points_that_are_no_numbers_and_no_points_have_no_ground() -> None:
    surface = corridor(road(STRAIGHT, [100, 100], worked()))
    heights = ask(surface, (np.nan, 0), (50, np.inf), (50, 1))
    assert np.isfinite(heights.z).tolist() == [False, False, True]
    assert len(surface.heights(np.zeros(0), np.zeros(0))) == 0
