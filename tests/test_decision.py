"""What is decided, line by line of the contract's action table, by cases whose answer the reader checks by head.

Unless said otherwise: window 2 to 6 in, target 4, dressing 1, so that W is 1 to 7 in; lengths 6, 12 ... 60 in;
no error in anything. The first half goes through the public `assess` (hydrants and drawn ground in, everything
but files out), the second through `decide`.
"""

from __future__ import annotations

from dataclasses import replace
from datetime import date
from pathlib import Path

import numpy as np
import pytest
import shapely
from scipy.stats import norm

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.catalog import Catalog
from gradecheck.decision import Action, decide, rechosen
from gradecheck.hydrants import placed, read_hydrants
from gradecheck.paving import Jobs
from gradecheck.plan import Plan
from gradecheck.surfaces.design import Design
from tests.cases import (
    FT,
    IN,
    NAN,
    WORK,
    Ground,
    Row,
    Site,
    assessed,
    atoms,
    decided,
    exact_plan,
    hydrants,
    policy,
    rows,
)


def only(site: Site, plan: Plan | None = None) -> tuple[Row, Assessment]:
    a = assessed([site], plan)
    return rows(a.decision)[0], a


def codes(a: Assessment, row: int = 0) -> set[str]:
    return set((cautions.as_text(a.cautions)[row] or "").split(";")) - {""}


# --- the table of cases at the end of "The computation" ---------------------------------------------------------


@pytest.mark.parametrize(
    ("site", "action", "new", "out", "final"),
    [
        (Site(measured=4, change=8), "extend", 6, 0, 2),
        (Site(measured=4, change=12), "extend", 12, 0, 4),
        (Site(fitted=12, measured=4, change=6), "extend", 18, 12, 4),
        (Site(fitted=18, measured=4, change=-6), "shorten", 12, 18, 4),
        (Site(fitted=12, measured=4, change=-12), "shorten", 0, 12, 4),
        (Site(measured=4, change=-6), "too_high", 0, 0, 10),
    ],
)
def test_each_exact_case_gives_its_action_and_final_clearance(
    site: Site, action: str, new: float, out: float, final: float
) -> None:
    row, _ = only(site)
    assert (row.action, row.new, row.out, row.final, row.confidence) == (action, new, out, final, 1)
    assert row.rise == new - out


def test_an_unknown_clearance_over_ground_that_does_not_move_is_kept() -> None:
    row, a = only(Site(measured=None, change=0))
    assert (row.action, row.new, row.confidence) == ("keep", 0, 1)
    assert not a.firm[0]


def test_three_jobs_that_need_five_each_with_five_in_stock_buy_ten() -> None:
    part = {"family": "A", "length": "6 in", "part_number": "R-6", "on_hand": 5}
    sites = [Site(measured=4, change=8, family="A", north=500.0 * (i % 3)) for i in range(15)]
    strips = tuple(shapely.box(-100, 500 * k - 50, 15000, 500 * k + 50) for k in range(3))
    starts = {"Fern Row": date(2027, 6, 1), "Moss Lane": date(2027, 5, 1), "Reed Way": None}
    # Jobs are in order of start, unknown last: Moss Lane lies on the middle strip, Fern Row on the last.
    jobs = Jobs(("Moss Lane", "Fern Row", "Reed Way"), starts, 15.0, strips, (2, 0, 1))
    order = assessed(sites, catalog=Catalog.parse({"extension": [part]}), jobs=jobs).order
    assert [(line.job, line.quantity_order, line.on_hand, line.quantity_buy) for line in order] == [
        ("Moss Lane", 5, 5, 0),
        ("Fern Row", 5, 0, 5),
        ("Reed Way", 5, 0, 5),
    ]


def behind_the_curb(feet: float, past: str = "30 ft") -> tuple[Row, Assessment]:
    """A hydrant so far behind the curb at x = 0 where the design, and its limits, end."""
    limits = shapely.box(-50, -50, 0, 50)
    surface = Ground(lambda x, y: np.where(x <= 0, 100.4, NAN), 0.0, limits)
    plan = exact_plan(after__unchanged_past=past)
    design = Design(surface, limits, plan.after.unchanged_past.metres)
    a = assessed([Site(measured=4)], plan, design=Design(moved_west(surface, feet), moved(limits, feet), design.past))
    return rows(a.decision)[0], a


def moved(area: shapely.Geometry, feet: float) -> shapely.Geometry:
    return shapely.transform(area, lambda c: c - [feet * FT, 0])


def moved_west(ground: Ground, feet: float) -> Ground:
    return Ground(lambda x, y: ground.z(x + feet * FT, y), ground.sd, moved(ground.extent, feet))


def test_three_feet_behind_the_curb_where_the_design_ends_nothing_is_known() -> None:
    row, a = behind_the_curb(3)
    assert row.action == "no_elevation"
    assert np.isnan(row.confidence)
    assert not a.firm[0]
    assert "stops short" in a.reasons[0]


def test_far_beyond_the_design_the_ground_is_unchanged_and_says_so() -> None:
    row, a = behind_the_curb(31)
    assert (row.action, row.final, row.confidence) == ("keep", 4, 1)
    assert a.change.change[0] == 0
    assert a.change_sd[0] == 0
    assert codes(a) == {"beyond_design"}
    assert behind_the_curb(29)[0].action == "no_elevation"


def test_a_rise_of_five_feet_is_decided_but_never_firm_before_review() -> None:
    row, a = only(Site(measured=4, change=60))
    assert (row.action, row.new, row.final) == ("extend", 60, 4)
    assert "fill_over_review" in codes(a)
    assert not a.firm[0]


# --- the clearance: surveyed, then measured, then assumed --------------------------------------------------------


def test_a_surveyed_flange_counts_before_a_measured_clearance_and_needs_no_existing_ground() -> None:
    # Flange 9 in over the old ground, which rises 8: 1 in is left; the tape said 4.
    row, a = only(Site(flange=9, measured=4, change=8, before=False))
    assert (row.action, row.final) == ("keep", 1)
    assert a.clearance.basis[0] == 0
    assert np.isnan(a.clearance.before[0])


def test_a_surveyed_flange_over_known_ground_gives_todays_clearance() -> None:
    row, a = only(Site(flange=9, measured=4, change=8))
    assert a.clearance.before[0] / IN == pytest.approx(9)
    assert row.final == 1


def test_an_assumed_clearance_is_the_middle_of_the_window() -> None:
    # Window 1 / 2 / 6: the middle is 3.5, not the target.
    row, a = only(Site(change=12), exact_plan({"clearance_min": "1 in", "clearance_target": "2 in"}))
    assert a.clearance.before[0] / IN == pytest.approx(3.5)
    assert a.clearance.spread[0] / IN == pytest.approx(3.5)
    assert row.final == pytest.approx(3.5)


def test_without_existing_ground_a_measured_clearance_says_nothing_of_the_new_one() -> None:
    row, a = only(Site(measured=4, change=8, before=False))
    assert row.action == "no_elevation"
    assert "existing ground" in a.reasons[0]


def test_each_clearance_has_the_error_of_its_own_instrument() -> None:
    # 3 in are two sigma of a tape of 1.5 in and one of a survey of 3 in.
    plan = exact_plan(
        hydrants__clearance={"column": "c", "unit": "in", "sd": "1.5 in"},
        hydrants__flange_elevation={"column": "f", "unit": "m", "sd": "3 in"},
    )
    a = assessed([Site(measured=4), Site(flange=4), Site(measured=4, flange=4)], plan)
    assert [r.confidence for r in rows(a.decision)] == pytest.approx([0.954500, 0.682689, 0.682689], abs=1e-6)


def test_a_shared_error_moves_what_rests_on_its_surface() -> None:
    # Were the existing ground 1 in higher all over than on file, a measured hydrant would stand 1 in higher after the
    # job; were the design 2 in higher, 2 in lower. Over a surveyed flange only the new ground counts, and beyond the
    # design only the old.
    limits = shapely.box(-100, -100, 1500, 100)
    ground = Ground(lambda x, y: np.where(x <= 1500, 100.0, NAN), 0.0, limits)
    plan = exact_plan(before__sd_shared="1 in", after__sd_shared="2 in")
    sites = [Site(measured=4), Site(flange=4), Site(measured=4), Site(flange=4)]
    a = assessed(sites, plan, design=Design(ground, limits, 9.0))
    assert (a.clearance.shared / IN).round(9).tolist() == [[1, -2], [0, -2], [0, 0], [-1, 0]]
    # Reported with the change: both, but beyond the design none.
    assert a.change_sd / IN == pytest.approx([np.hypot(1, 2), np.hypot(1, 2), 0, 0])


# --- cautions and firm -------------------------------------------------------------------------------------------

OUTLETS = {"outlet_min": "18 in", "outlet_max": "36 in"}


@pytest.mark.parametrize(
    ("site", "rules", "expected"),
    [
        (Site(measured=4), {}, set()),
        # A fill of 24 in is the most, 24.1 is over it.
        (Site(measured=4, change=24), {}, {"valve_box"}),
        (Site(measured=4, change=24.1), {}, {"valve_box", "fill_over_review"}),
        # A cut of 12 in is the most; cover_min is not set, so no cover can be checked.
        (Site(fitted=12, measured=4, change=-12), {}, {"valve_box", "cover_not_checked"}),
        (Site(fitted=18, measured=4, change=-12.1), {}, {"valve_box", "cut_over_review", "cover_not_checked"}),
        # Bury 5 ft - 6.9 in branch - 6 in cut = 47.1 in of cover; with 12 in fitted 59.1.
        (Site(measured=4, change=-6, bury=5), {"cover_min": "47.2 in"}, {"valve_box", "cover_below_min"}),
        (Site(measured=4, change=-6, bury=5), {"cover_min": "47 in"}, {"valve_box"}),
        (Site(measured=4, fitted=12, change=-6, bury=5), {"cover_min": "59 in"}, {"valve_box"}),
        (Site(measured=4, fitted=12, change=-6, bury=5), {"cover_min": "59.2 in"}, {"valve_box", "cover_below_min"}),
        (Site(measured=4, change=-6), {"cover_min": "47 in"}, {"valve_box", "cover_not_checked"}),
        (Site(measured=4, change=-6, bury=5), {}, {"valve_box", "cover_not_checked"}),
        # Made for 6 in, stands at 4: the ground has come up 2 in since, and so has the cover.
        (Site(measured=4, change=-6, bury=5), {"cover_min": "49.2 in", "clearance_as_made": "6 in"},
         {"valve_box", "cover_below_min"}),
        (Site(measured=4, change=-6, bury=5), {"cover_min": "49 in", "clearance_as_made": "6 in"}, {"valve_box"}),
        (Site(measured=4, fitted=None), {}, {"extension_unknown"}),
        (Site(), {}, {"clearance_assumed"}),
        # Ends at 1.5 in: outside 2 to 6, within the dressing. A change of 1 in moves no valve box, 1.1 does.
        (Site(measured=2.5, change=1), {}, {"dress"}),
        (Site(measured=2.6, change=1.1), {}, {"dress", "valve_box"}),
        (Site(measured=6.5, change=1), {}, {"off_before"}),
        (Site(measured=1.5, change=-1), {}, {"off_before", "cover_not_checked"}),
        # Outlet 13.4 above a flange at 3.5: 16.9 is less than 18 - 1. W is widened to 3.6 to 7.
        (Site(measured=3.5, outlet=13.4), {}, {"outlet_low", "off_before"}),
        (Site(measured=3.7, outlet=13.4), {}, {"dress", "off_before"}),
        (Site(measured=3.5, outlet=33.6), {}, {"outlet_high", "off_before"}),
        # From the flange the outlet itself is bounded, to the inch, and the window stays.
        (Site(measured=3.5, outlet=17.9), {"outlet_from": "flange"}, {"outlet_low"}),
        (Site(measured=3.5, outlet=36.1), {"outlet_from": "flange"}, {"outlet_high"}),
        (Site(measured=3.5, outlet=18), {"outlet_from": "flange"}, set()),
        # 40 in above the flange is never under 36 above the ground: nothing is left of the window.
        (Site(measured=3.5, outlet=40), {}, {"window_empty", "outlet_high"}),
        (Site(measured=4, change=6, fitted=6), {"max_extensions": 2, "max_extension": "6 in"},
         {"second_extension", "valve_box"}),
        (Site(flange=9, measured=4), {}, {"heights_disagree", "off_before"}),
        (Site(flange=4, measured=4), {}, set()),
    ],
)  # fmt: skip
def test_each_caution_stands_where_its_case_says_and_nowhere_else(
    site: Site, rules: dict[str, str], expected: set[str]
) -> None:
    assert codes(only(site, exact_plan(rules))[1]) == expected


@pytest.mark.parametrize(("apart", "found"), [(2.9, False), (3.1, True)])
def test_heights_disagree_beyond_three_sd_of_all_that_they_rest_on(apart: float, found: bool) -> None:
    # Flange 0.3 in, tape 0.4 in, existing ground 1.2 in: together 1.3 in (3-4-5 and 5-12-13 triangles / 10).
    plan = exact_plan(
        hydrants__clearance={"column": "c", "unit": "in", "sd": "0.4 in"},
        hydrants__flange_elevation={"column": "f", "unit": "m", "sd": "0.3 in"},
        before__sd="1.2 in",
    )
    site = Site(flange=4 + 1.3 * apart, measured=4)
    assert ("heights_disagree" in codes(only(site, plan)[1])) is found


@pytest.mark.parametrize(("feet", "found"), [(1, True), (12, False)])
def test_a_curb_within_the_position_error_is_cautioned(feet: float, found: bool) -> None:
    # A curb of 6 in, points good to 1 m: at 1 ft rather more than a third of the places lie beyond it.
    design = Design(Ground(lambda x, y: np.where(x > feet * FT, 100 + 6 * IN, 100.0)), None, None)
    a = assessed([Site(measured=4)], exact_plan(hydrants__position_sd="1 m"), design=design)
    assert ("curb_near" in codes(a)) is found


def test_a_change_just_out_of_reach_is_told_where_it_exceeds_the_dressing() -> None:
    jobs = Jobs(("Fern Row",), {"Fern Row": None}, 15.0, (shapely.LineString([(-100, 0), (9000, 0)]),), (0,))
    sites = [Site(8, 4, north=14), Site(8, 4, north=29), Site(0.9, 4, north=29), Site(8, 4, north=31)]
    a = assessed(sites, jobs=jobs)
    assert [r.action for r in rows(a.decision)] == ["extend", "outside", "outside", "outside"]
    assert [codes(a, i) for i in range(4)] == [{"valve_box"}, {"missed_by_reach"}, set(), set()]
    assert all(np.isnan(r.confidence) for r in rows(a.decision)[1:])
    assert a.firm.tolist() == [True, False, False, False]


def test_ids_and_numbers_that_had_to_be_mended_keep_their_cautions(tmp_path: Path) -> None:
    lines = ["id,x,y,c", "K7,500000,4900000,4", ",500100,4900000,4", "K7,500200,4900000,4", "K8,500300,4900000,four"]
    (tmp_path / "h.csv").write_text("\n".join(lines), encoding="utf-8")
    source = {"path": "h.csv", "id": "id", "x": "x", "y": "y", "crs": "EPSG:32615"}
    source |= {"clearance": {"column": "c", "unit": "in"}}  # type: ignore[dict-item]
    plan = Plan.parse({"hydrants": source, "before": {"raster": "b.tif"}, "after": {"raster": "a.tif"}}, tmp_path)
    read = placed(read_hydrants(plan), WORK)
    a = assessed([Site(measured=4, bits=int(b)) for b in read.cautions])
    assert read.id == ("K7", "row-2", "K7#2", "K8")
    assert [codes(a, i) for i in range(4)] == [{"repeated_id"}, {"no_id"}, {"repeated_id"}, {"unreadable_value"}]
    assert a.firm.all()


@pytest.mark.parametrize(
    ("site", "rules", "firm"),
    [
        (Site(measured=4), {}, True),
        (Site(flange=4), {}, True),
        (Site(), {}, False),
        (Site(measured=4, change=8), {}, True),
        (Site(fitted=18, measured=4, change=-6), {}, True),
        (Site(measured=4, change=-6), {}, False),
        (Site(measured=4, change=20), {"max_extension": "12 in"}, False),
        (Site(measured=4, change=25), {}, False),
        (Site(fitted=18, measured=4, change=-13), {}, False),
        (Site(fitted=18, measured=4, change=-6, bury=4), {"cover_min": "5 ft"}, False),
        (Site(measured=4, fitted=None), {}, False),
        (Site(measured=1.5, change=0, bits=1 << cautions.CODES.index("no_id")), {}, True),
    ],
)
def test_firm_needs_a_decision_a_known_clearance_and_no_holding_caution(
    site: Site, rules: dict[str, str], firm: bool
) -> None:
    assert only(site, exact_plan(rules))[1].firm.tolist() == [firm]


@pytest.mark.parametrize(
    ("site", "words"),
    [
        (Site(measured=4, change=8), ("rises 8 in", "add 6 in", "2 in above ground")),
        (Site(fitted=12, measured=4, change=6), ("exchange 12 in for 18 in", "4 in above ground")),
        (Site(fitted=12, measured=4, change=-12), ("falls 12 in", "take out 12 in")),
        (Site(measured=4, change=-6), ("10 in above ground", "4 in above the window")),
        (Site(measured=4, change=84), ("80 in below ground", "60 in, is too short")),
        (Site(measured=4, change=None), ("design ground",)),
        (Site(change=3), ("measure",)),
    ],
)
def test_the_reason_names_what_moves_what_to_do_and_where_it_ends(site: Site, words: tuple[str, ...]) -> None:
    sentence = only(site)[1].reasons[0]
    assert all(w in sentence for w in words), sentence


def test_a_reason_never_calls_the_strict_window_met_where_the_ground_has_to_be_dressed() -> None:
    sentence = only(Site(measured=2.5, change=1))[1].reasons[0]
    assert "inside the window" not in sentence


def test_the_design_raised_by_h_lowers_every_clearance_by_h() -> None:
    sites = [Site(3, 4), Site(-7, None), Site(5, flange=11), Site(2, flange=6, before=False)]
    lower = assessed(sites)
    higher = assessed([Site(s.change + 2.5, s.measured, s.flange, before=s.before) for s in sites])  # type: ignore[operator]
    assert (lower.clearance.after - higher.clearance.after) / IN == pytest.approx([2.5] * 4, abs=1e-9)


# --- the action table, line by line ------------------------------------------------------------------------------


def test_no_job_comes_before_a_missing_elevation() -> None:
    assert decided(NAN, outside=True).action == "outside"
    assert decided(NAN).action == "no_elevation"
    outside = decided(4, outside=True)
    assert np.isnan([outside.confidence, outside.new, outside.final]).all()


@pytest.mark.parametrize(("after", "action"), [(1, "keep"), (7, "keep"), (0.999, "extend"), (7.001, "too_high")])
def test_the_ends_of_the_widened_window_belong_to_it(after: float, action: str) -> None:
    assert decided(after).action == action


def test_exactly_the_confidence_is_enough() -> None:
    # Uniform on 0.3 to 6.3 in: 5.3 of 6 lie in W. Changed by 2 in, so that the dressing has no say.
    p = 5.3 / 6
    row = decided(3.3, spread=3, change=2, rules=policy(confidence=p))
    assert (row.action, row.confidence) == ("keep", pytest.approx(p, abs=1e-7))
    assert decided(3.3, spread=3, change=2, rules=policy(confidence=p + 1e-6)).action == "measure"


def test_one_sigma_inside_the_window_is_68_percent_and_too_close_to_call() -> None:
    row = decided(4, ground_sd=3)
    assert row.action == "on_site"
    assert row.confidence == pytest.approx(0.682689, abs=1e-6)  # the normal's one-sigma share
    # N(10, 3) in 1 to 7 is less probable than nothing, N(16, 3) less still: the runner-up is 6 in.
    assert row.second == (6,)
    assert (row.rise, row.final) == (0, 4)


def test_two_sigma_inside_the_window_is_decided() -> None:
    row = decided(4, ground_sd=1.5)
    assert (row.action, row.second) == ("keep", None)
    assert row.confidence == pytest.approx(0.954500, abs=1e-6)


def test_all_errors_of_a_known_clearance_add_in_quadrature() -> None:
    # 2 in ground, 1 in tape, 2 and 4 in shared: sqrt(4 + 1 + 4 + 16) = 5.
    row = decided(4, ground_sd=2, clearance_sd=1, shared=(2, -4))
    assert row.confidence == pytest.approx(norm.cdf(3 / 5) - norm.cdf(-3 / 5), abs=1e-7)


def test_an_assumed_clearance_over_ground_that_hardly_moves_is_kept_whatever_the_window_says() -> None:
    # Uniform on 1 to 7, dressing half an inch: only 5 of 6 are in W, but the job does not alter the hydrant.
    rules = policy(dressing=0.5)
    row = decided(4, spread=3, change=0, rules=rules)
    assert (row.action, row.confidence, row.rise) == ("keep", 1, 0)
    assert decided(4, change=0, clearance_sd=3, rules=rules).action == "on_site"


def test_the_change_must_be_within_the_dressing_with_confidence_on_both_sides() -> None:
    # N(0.2, 0.5) within 1: less both tails.
    rules = policy(clearance_spread=3)
    row = decided(3.8, spread=5, change=0.2, ground_sd=0.5, rules=rules)
    assert row.action == "keep"
    assert row.confidence == pytest.approx(norm.cdf(0.8 / 0.5) - norm.cdf(-1.2 / 0.5), abs=1e-7)
    for change in (-0.5, 0.5):
        assert decided(4 - change, spread=5, change=change, ground_sd=0.5, rules=rules).action != "keep"


def test_the_change_is_looked_at_in_every_place_and_with_the_shared_errors() -> None:
    # Uniform on -1.5 to 8.5 in, so that no choice is sure. At the point the ground rises half an inch; 0.95 of the
    # places lie an inch lower, where it falls by half an inch, 0.05 two inches higher.
    row = decided(3.5, spread=5, change=0.5, ground=atoms([(-1, 0.95, 0), (2, 0.05, 0)]))
    assert (row.action, row.confidence) == ("keep", pytest.approx(0.95, abs=1e-9))
    # Shared errors of 0.3 and 0.4 in make 0.5: two sigma within the dressing; 0.6 and 0.8 make one.
    row = decided(4, spread=5, change=0, shared=(0.3, -0.4))
    assert (row.action, row.confidence) == ("keep", pytest.approx(0.954500, abs=1e-6))
    assert decided(4, spread=5, change=0, shared=(0.6, -0.8)).action == "measure"


def test_a_choice_that_reaches_the_confidence_comes_before_the_unaltered_hydrant() -> None:
    # Uniform on 1 to 7 with 0.3 in: each end of W loses 0.3 phi(0) / 6; the change alone is within 1 in with 0.999.
    row = decided(4, spread=3, change=0, ground_sd=0.3)
    assert (row.action, row.confidence) == ("keep", pytest.approx(1 - 2 * 0.3 * norm.pdf(0) / 6, abs=1e-6))


def test_too_high_counts_only_what_no_choice_can_bring_into_the_window() -> None:
    # N(9, 1): above 7 with two sigma; nothing is fitted.
    row = decided(9, ground_sd=1)
    assert (row.action, row.rise, row.final, row.miss) == ("too_high", 0, 9, 3)
    assert row.confidence == pytest.approx(norm.sf(-2), abs=1e-7)
    # With 8 in fitted, taking it out leaves N(1, 1): half of that ends in W, too close to call.
    assert decided(9, ground_sd=1, fitted=8, lengths=(60,)).action == "on_site"


def test_too_high_includes_a_gap_between_leaving_and_taking_out() -> None:
    # Fitted 12, sold 12: at 9 in nothing leaves it at 9, taking out at -3.
    row = decided(9, fitted=12, lengths=(12,))
    assert (row.action, row.confidence, row.rise, row.left) == ("too_high", 1, 0, 1)


def test_between_lengths_where_the_step_is_wider_than_the_window() -> None:
    # Sold 12 only: -3 stays at -3 or goes to 9.
    row = decided(-3, lengths=(12, 24))
    assert (row.action, row.confidence, row.rise, row.final, row.miss) == ("between_lengths", 1, 0, -3, -5)


def test_between_lengths_where_the_longest_is_too_short() -> None:
    assert decided(-53).action == "extend"
    assert decided(-60).action == "between_lengths"
    assert decided(-5, lengths=(12,), rules=policy(max_extension=10)).action == "between_lengths"


def test_where_no_length_mends_it_what_is_fitted_stays() -> None:
    row = decided(-70, policy(max_extensions=3), lengths=(6, 12))
    assert (row.action, row.new, row.left, row.final) == ("between_lengths", 0, 0, -70)
    assert decided(-70, policy(max_extensions=3), lengths=(6, 12), fitted=9).left == 1


def test_the_gap_between_lengths_has_its_probability() -> None:
    # Sold 12: W is reached from C in 1..7 and -11..-5, so that -5..1 is the gap; N(-2, 1.5) is there with 2 sigma.
    row = decided(-2, ground_sd=1.5, lengths=(12,))
    assert row.action == "between_lengths"
    assert row.confidence == pytest.approx(0.954500, abs=1e-6)


def test_a_second_choice_that_cannot_be_right_is_none() -> None:
    # 7.6 in above ground, sd 0.5: 1 to 7 in is right as it is, or nothing is; 6 in more never are.
    row = decided(7.6, ground_sd=0.5)
    assert (row.action, row.parts, row.second) == ("on_site", (), None)
    assert decide(hydrants([7.6], ground_sd=0.5), policy()).second.tolist() == [-1]
    assert row.confidence == pytest.approx(norm.cdf(-1.2), abs=1e-9)
    row = decided(1.0, ground_sd=0.5)  # half in W as it is, half with 6 in more
    assert {row.parts, row.second} == {(), (6.0,)}


def test_what_is_chosen_anew_has_its_lengths_and_its_end_and_the_others_stay() -> None:
    # With 12 in fitted: -2 in takes 6 in more, and -8 in the exchange for 24; the third is moved, the fourth left open.
    cases = hydrants([-2.0, -8.0, 4.0, 4.0, 4.0], fitted=[0.0, 12.0, 12.0, 12.0, 12.0], lengths=(6, 24))
    was = decide(cases, policy(max_extensions=1))
    options = was.tables[was.table[1]]
    exchange = [(int(p[0]) if p else -1, round(o / IN)) for p, o in zip(options.pieces, options.out, strict=True)]
    best, action = was.best.copy(), was.action.copy()
    best[:] = [-1, exchange.index((1, 12)), -1, -1, was.best[4]]
    action[:4] = [Action.keep, Action.extend, Action.relocate, Action.on_site]
    found = rechosen(replace(was, best=best, action=action), cases, np.arange(4))
    assert found.new / IN == pytest.approx([0, 24, 0, NAN, 0], nan_ok=True)
    assert found.out / IN == pytest.approx([0, 12, 0, NAN, 0], nan_ok=True)
    assert found.rise / IN == pytest.approx([0, 12, 0, NAN, 0], nan_ok=True)
    assert found.left.tolist() == [0, 1, 1, -1, was.left[4]]
    assert found.clearance_final / IN == pytest.approx([-2, 4, NAN, NAN, 4], nan_ok=True)
    assert found.window_miss / IN == pytest.approx([-4, 0, NAN, NAN, 0], nan_ok=True)


def test_where_nothing_is_sold_there_is_no_second_choice() -> None:
    # Half in W as it is, half too low for it, and leaving it alone is all that can be done.
    row = decided(1.0, ground_sd=0.5, lengths=())
    assert (row.action, row.parts, row.second) == ("on_site", (), None)
    assert decide(hydrants([1.0], ground_sd=0.5, lengths=()), policy()).second.tolist() == [-1]


def test_the_chance_that_no_choice_fits_is_what_sampling_says() -> None:
    rng = np.random.default_rng(11)
    sold, rules = (12, 30), policy()
    for after, sd in ((-2.0, 2.0), (7.5, 1.0), (-8.0, 4.0)):
        drawn = rng.normal(after, sd, 400_000)
        fits = np.any([(drawn + r >= 1) & (drawn + r <= 7) for r in (0, *sold)], axis=0)
        found = decide(hydrants([after], ground_sd=sd, lengths=sold), rules).no_fit[0]
        assert found == pytest.approx(1 - fits.mean(), abs=0.003)


def test_a_clearance_that_two_choices_mend_does_not_make_up_for_one_that_none_does() -> None:
    # W 0 to 8, wider than the steps. Fitted 6: taking it out mends 6 to 14, leaving it 0 to 8. 0.91 of the places
    # at 20, 0.09 at 7, which both would mend.
    rules = policy(dressing=2)
    row = decided(20, rules, fitted=6, lengths=(60,), ground=atoms([(0, 0.91, 0), (13, 0.09, 0)]))
    assert (row.action, row.confidence) == ("too_high", pytest.approx(0.91, abs=1e-9))
    # 6 in more mend -6 to 2. 0.91 of the places at -20, 0.09 at 1.
    row = decided(-20, rules, lengths=(6,), ground=atoms([(0, 0.91, 0), (-21, 0.09, 0)]))
    assert (row.action, row.confidence) == ("between_lengths", pytest.approx(0.91, abs=1e-9))


def test_measuring_is_asked_for_where_it_would_settle_it() -> None:
    # Uniform on -2 to 4: half of it is in W as it is, half with 6 in more.
    row = decided(1, spread=3, change=3)
    assert (row.action, row.second) == ("measure", (6,))
    assert row.confidence == pytest.approx(0.5, abs=1e-8)


def test_measuring_is_not_asked_for_where_the_ground_alone_is_too_uncertain() -> None:
    # However well measured, N(4, 3) is in W with 68 %.
    row = decided(1, spread=3, change=3, ground_sd=3)
    assert row.action == "on_site"
    assert row.confidence < 0.69


def test_what_is_measured_already_is_not_measured_again_whatever_stands_beside_it() -> None:
    # Both may be helped by a better tape; the second one's clearance is known, if badly, and only the stake settles it.
    both = hydrants([1, 4], spread=[3, 0], change=[3, 0], clearance_sd=[0, 3])
    assert [row.action for row in rows(decide(both, policy()))] == ["measure", "on_site"]


@pytest.mark.parametrize(("ground_sd", "action"), [(1.806, "measure"), (1.816, "on_site")])
def test_measuring_helps_up_to_the_error_at_which_the_middle_of_the_window_is_just_confident(
    ground_sd: float, action: str
) -> None:
    # 3 in is 1.6449 sd at 90 %: sd 1.8239 in all, of which the tape's 0.25; sqrt(1.8239² - 0.25²) = 1.8067.
    limit = np.sqrt((3 / norm.ppf(0.95)) ** 2 - 0.25**2)
    assert limit == pytest.approx(1.8067, abs=1e-4)
    assert decided(1, spread=3, change=3, ground_sd=ground_sd).action == action


@pytest.mark.parametrize(("shared", "action"), [(1.806, "measure"), (1.816, "on_site")])
def test_measuring_does_not_mend_an_error_that_the_surfaces_share(shared: float, action: str) -> None:
    assert decided(1, spread=3, change=3, shared=(0.6 * shared, -0.8 * shared)).action == action


def test_a_rough_tape_does_not_help() -> None:
    assert decided(1, spread=3, change=3, measure_sd=1.82).action == "measure"
    assert decided(1, spread=3, change=3, measure_sd=1.83).action == "on_site"


def test_measuring_cannot_help_where_no_clearance_that_may_be_there_can_be_brought_near_the_window() -> None:
    # Uniform on 4..10 after a fall of 3; nothing to take out. In W it is with half; measured 4 it would be sure.
    assert decided(7, spread=3, change=-3).action == "measure"
    # Uniform on 6.5..12.5: the best that a tape can say is 6.5, in W with N(6.5, 1) less than 0.7.
    assert decided(9.5, spread=3, change=-5.5, ground_sd=1).action == "on_site"
    # The same from below, with nothing sold: of -3.9..2.1 the best is 2.1, in W with N(2.1, 1.03) 0.857.
    assert decided(-0.9, spread=3, change=5, ground_sd=1, lengths=()).action == "on_site"
    assert decided(-0.9, spread=3, change=5, ground_sd=0.5, lengths=()).action == "measure"


def test_measuring_helps_where_only_another_length_brings_what_may_be_measured_into_the_window() -> None:
    # -7..-1 after a rise of 8: 6 in more make it -1..5, two thirds in W; measured, it would be sure with them.
    row = decided(-4, spread=3, change=8, ground_sd=0.5, lengths=(6,))
    assert (row.action, row.confidence) == ("measure", pytest.approx(4 / 6, abs=0.01))


def test_measuring_beside_a_curb_is_judged_with_both_humps() -> None:
    # A curb of 9 in, half the places behind it: whatever the tape says, one half ends out of a 6 in window ...
    both = atoms([(0, 0.5, 0), (9, 0.5, 0)])
    assert decided(4, spread=3, change=0, ground=both).action == "on_site"
    # ... while one of 5 in leaves an inch for both, though not at the point's own middle.
    low = atoms([(0, 0.5, 0), (5, 0.5, 0)])
    assert decided(4, spread=3, change=0, ground=low).action == "measure"


# --- mixtures ----------------------------------------------------------------------------------------------------


def test_beside_a_curb_the_probability_is_the_weighted_mean_over_the_places() -> None:
    # 7 of 10 places leave it at 4 (in W), 3 of 10 lie behind a 6 in curb: there -2.
    row = decided(4, ground=atoms([(0, 0.7, 0), (6, 0.3, 0)]))
    assert (row.action, row.second) == ("on_site", (6,))
    assert row.confidence == pytest.approx(0.7, abs=1e-9)
    assert decided(4, ground=atoms([(0, 0.91, 0), (6, 0.09, 0)])).action == "keep"


def test_the_place_on_the_point_does_not_outweigh_its_surroundings() -> None:
    # The point says -2; nineteen twentieths of the places are 6 in lower, at 4.
    row = decided(-2, ground=atoms([(0, 0.05, 0), (-6, 0.95, 0)]))
    assert (row.action, row.final) == ("keep", -2)
    assert row.confidence == pytest.approx(0.95, abs=1e-9)


def test_beside_a_step_a_larger_error_can_raise_the_probability() -> None:
    # 0.89 of the places at 4, 0.11 just below W at 0.95: exact, 0.89. With a tape of 0.25 in, N(0.95, 0.25) is
    # above 1 with 0.42, and the whole is 0.89 + 0.11 * 0.42 = 0.936. The contract's mixture, not a slip.
    places = atoms([(0, 0.89, 0), (3.05, 0.11, 0)])
    exact, rough = decided(4, ground=places), decided(4, ground=places, clearance_sd=0.25)
    assert (exact.action, exact.confidence) == ("on_site", pytest.approx(0.89, abs=1e-9))
    assert (rough.action, rough.confidence) == ("keep", pytest.approx(0.89 + 0.11 * norm.sf(0.2), abs=1e-6))


# --- ties and stacks ---------------------------------------------------------------------------------------------


def test_of_two_sure_choices_the_one_nearest_the_target_is_taken() -> None:
    # W 0 to 8: from 0.5, nothing leaves 0.5 and 6 in more give 6.5.
    assert decided(0.5, rules=policy(dressing=2)).parts == (6,)
    assert decided(1.5, rules=policy(dressing=2)).action == "keep"


def test_nearest_means_the_target_and_not_the_middle_of_the_window() -> None:
    rules = policy(dressing=2, clearance_target=2.5)
    assert decided(0.5, rules=rules).action == "keep"


def test_at_equal_distance_fewer_new_pieces_are_taken() -> None:
    # From 1: 1 and 7 are both 3 in off, both in W.
    assert decided(1).action == "keep"


def test_at_equal_distance_and_pieces_the_longer_first_piece_is_taken() -> None:
    # From -5: 6 in more give 1, 12 give 7.
    assert decided(-5).parts == (12,)


def test_a_more_probable_choice_beats_a_nearer_one() -> None:
    # At the point 1.4 is left, 3 in higher ground -1.6. Nothing: only 1.4 is in W. With 6 in: 7.4 is not, 4.4 is.
    places = atoms([(0, 0.6, 0), (3, 0.4, 0)])
    assert decided(1.4, ground=places).confidence == pytest.approx(0.6, abs=1e-9)
    row = decided(1.4, ground=atoms([(0, 0.4, 0), (3, 0.6, 0)]), rules=policy(confidence=0.55))
    assert (row.action, row.parts, row.final) == ("extend", (6,), 7.4)


@pytest.mark.parametrize(
    ("after", "known", "most", "parts", "out", "left"),
    [
        # One allowed of 6 and 12: -8 takes 12, -14 is beyond.
        (-8, {"lengths": (6, 12)}, 1, (12,), 0, 1),
        (-14, {"lengths": (6, 12)}, 2, (12, 6), 0, 2),
        (-20, {"lengths": (6, 12)}, 2, (12, 12), 0, 2),
        (-26, {"lengths": (6, 12)}, 3, (12, 12, 6), 0, 3),
        (-32, {"lengths": (6, 12)}, 3, (12, 12, 12), 0, 3),
        # 24 in: one piece before two; 18+6 before 12+12.
        (-20, {"lengths": (6, 12, 18, 24)}, 3, (24,), 0, 1),
        (-20, {"lengths": (6, 12, 18)}, 3, (18, 6), 0, 2),
        # Fitted 12 counts as one: of three, two more.
        (-20, {"lengths": (6, 12), "fitted": 12}, 3, (12, 12), 0, 3),
        # Raise 12: exchange 12 for 24 leaves one, another 12 would leave two.
        (-8, {"lengths": (12, 24), "fitted": 12}, 2, (24,), 12, 1),
        # 24 is not sold: another 12.
        (-8, {"lengths": (6, 12), "fitted": 12}, 2, (12,), 0, 2),
        # Down 6: 18 out, 12 in. Down 18: out.
        (10, {"lengths": (6, 12), "fitted": 18}, 1, (12,), 18, 1),
        (22, {"lengths": (6, 12), "fitted": 18}, 1, (), 18, 0),
    ],
)
def test_pieces_are_stacked_exchanged_and_taken_out(
    after: float, known: dict[str, float], most: int, parts: tuple[float, ...], out: float, left: int
) -> None:
    row = decided(after, policy(max_extensions=most), **known)
    assert (row.parts, row.out, row.left) == (parts, out, left)
    assert row.final == 4
    assert row.action == ("extend" if row.rise > 0 else "shorten")


def test_more_than_is_allowed_is_not_stacked() -> None:
    assert decided(-14, policy(max_extensions=1), lengths=(6, 12)).action == "between_lengths"
    assert decided(-8, policy(max_extensions=1), lengths=(6, 12), fitted=6).action == "between_lengths"
    assert decided(-20, policy(max_extensions=2), lengths=(6, 12), fitted=12).action == "between_lengths"


def test_new_length_beyond_the_most_is_not_added() -> None:
    assert decided(-20, policy(max_extensions=2, max_extension=24), lengths=(6, 12)).parts == (12, 12)
    assert decided(-20, policy(max_extensions=2, max_extension=23), lengths=(6, 12)).action == "between_lengths"


def test_an_unknown_fitted_length_counts_as_none() -> None:
    assert decided(-2, fitted=NAN).parts == (6,)
    assert decided(10, fitted=NAN).action == "too_high"


def test_each_family_has_its_own_lengths() -> None:
    cases = hydrants([-4, -4, -4], family=[1, 0, 1], lengths=((6, 12), (7, 10)), fitted=[0, 0, 10])
    found = rows(decide(cases, policy()))
    assert [(r.parts, r.final) for r in found] == [((7,), 3), ((6,), 2), ((), -4)]
    assert found[2].action == "between_lengths"


# --- the outlet rule ---------------------------------------------------------------------------------------------


def test_an_outlet_that_must_stand_18_in_high_lifts_the_window() -> None:
    # Outlet 14 above the flange: clearance at least 4, so W is 3 to 7.
    row = decided(2.5, outlet=14)
    assert row.action == "between_lengths"
    row = decided(3.5, outlet=14)
    assert (row.action, row.miss) == ("keep", -0.5)


def test_an_outlet_that_must_stay_under_36_in_lowers_the_window() -> None:
    # Outlet 33 above the flange: clearance at most 3, so W is 1 to 4.
    row = decided(3.5, outlet=33)
    assert (row.action, row.miss) == ("keep", 0.5)
    row = decided(4.5, outlet=33)
    assert (row.action, row.miss) == ("too_high", 1.5)


def test_the_target_stays_where_it_is_in_a_window_narrowed_by_the_outlet() -> None:
    # Outlet 12.5 with 2 in of dressing: W is 3.5 to 8, its middle 5.75. From 3.6, 3 in more give 6.6: both are in W,
    # 3.6 is nearer to 4, 6.6 nearer to the middle.
    row = decided(3.6, policy(dressing=2), outlet=12.5, lengths=(3,))
    assert (row.action, row.miss) == ("keep", -1.9)


def test_a_window_of_one_point_is_a_window() -> None:
    # Outlet 12: clearance at least 6 and at most 6; W is 5 to 7.
    assert decided(5, outlet=12).miss == -1
    assert decided(4.9, outlet=12).action == "between_lengths"
    assert decided(6, outlet=12).miss == 0


def test_where_nothing_is_left_of_the_window_the_outlet_rule_is_set_aside() -> None:
    # Outlet 11.9: at least 6.1, at most 6.
    row = decided(2, outlet=11.9)
    assert (row.action, row.miss) == ("keep", 0)


def test_measured_from_the_flange_the_outlet_leaves_the_window_alone() -> None:
    row = decided(2.5, policy(outlet_from="flange"), outlet=14)
    assert (row.action, row.miss) == ("keep", 0)
