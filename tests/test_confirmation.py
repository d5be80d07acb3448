"""What stands against what was planned: the core by hand, in inches over a design ground of 100 m."""

from __future__ import annotations

import math
from dataclasses import fields
from datetime import date, datetime
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from gradecheck.confirmation import Confirmed, Found, Planned, Rests, State, Why, confirm
from gradecheck.fieldbook import Entry
from gradecheck.shots import Shots, laid
from gradecheck.workdone import Sold, distinct, kits, visit
from tests.cases import policy

IN = 0.0254
NAN = math.nan
FLAGS = {"assumed", "open", "relocate", "done"}


def one(rules: Any = None, **known: Any) -> Confirmed:
    """One hydrant; heights in inches about the design ground, sds in inches.

    With nothing said: the flange 2 in below the design, 6 in planned and put in, the ground built as designed.
    """
    plan = {
        "flange": -2.0, "flange_sd": 0.3, "assumed": False, "rise": 6.0, "new": 6.0, "out": 0.0, "open": False,
        "relocate": False, "ground": 0.0, "ground_sd": 0.4, "outlet": 20.0, "low": 2.0, "high": 6.0,
    }  # fmt: skip
    found = {
        "ground": 0.0, "ground_sd": 0.4, "flange": NAN, "flange_sd": 0.2, "clearance": NAN, "clearance_sd": 0.25,
        "height": NAN, "done": True, "put_in": 6.0, "taken_out": 0.0,
    }  # fmt: skip
    renamed = {f"as_{k}" if k in plan else k for k in found}
    assert set(known) <= set(plan) | renamed, set(known)
    plan |= {k: v for k, v in known.items() if k in plan}
    found |= {k: known.get(f"as_{k}" if k in plan else k, v) for k, v in found.items()}

    def filled(kind: Any, values: dict[str, Any]) -> Any:
        level = {"ground", "flange"}
        return kind(**{
            f.name: np.array([values[f.name]], dtype=bool) if f.name in FLAGS
            else np.array([values[f.name] * IN + (100.0 if f.name in level else 0.0)])
            for f in fields(kind)
        })  # fmt: skip

    return confirm(filled(Planned, plan), filled(Found, found), rules or policy())


def state(**known: Any) -> str:
    return State(int(one(**known).state[0])).name


def inches(values: Any) -> float:
    return round(float(values[0]) / IN, 6) + 0.0


def test_the_flange_as_planned_over_the_ground_as_built() -> None:
    c = one()
    assert inches(c.clearance) == 4  # -2 + 6
    assert inches(c.sd) == 0.5  # hypot(0.3, 0.4)
    assert Rests(int(c.rests[0])) is Rests.planned
    assert (inches(c.outlet), inches(c.miss), state()) == (24, 0, "stands")


def test_a_surveyed_flange_goes_before_the_plan_and_a_measured_clearance_before_both() -> None:
    surveyed = one(as_flange=5.5, as_ground=0.5, as_ground_sd=0.15)
    assert (inches(surveyed.clearance), inches(surveyed.sd)) == (5.0, 0.25)  # hypot(0.2, 0.15)
    assert Rests(int(surveyed.rests[0])) is Rests.surveyed
    measured = one(as_flange=5.5, clearance=3.0)
    assert (inches(measured.clearance), inches(measured.sd)) == (3.0, 0.25)
    assert Rests(int(measured.rests[0])) is Rests.measured


@pytest.mark.parametrize(
    ("ground", "word"),
    [(0, "stands"), (2, "stands"), (2.5, "dress"), (3, "dress"), (3.1, "too_low"), (-2, "stands"), (-3, "dress"),
     (-3.1, "too_high")],
)  # fmt: skip
def test_the_state_follows_the_window_and_the_dressing(ground: float, word: str) -> None:
    assert state(as_ground=ground) == word  # clearance 4 - ground; window 2 to 6, dressing 1


def test_how_far_it_misses_is_signed() -> None:
    assert inches(one(as_ground=3.5).miss) == -1.5
    assert inches(one(as_ground=-3.5).miss) == 1.5


def test_the_raise_is_what_was_done_else_what_was_planned() -> None:
    assert inches(one(put_in=12.0).clearance) == 10  # -2 + 12
    assert inches(one(put_in=18.0, taken_out=12.0).clearance) == 4
    assert inches(one(put_in=NAN, taken_out=NAN).clearance) == 4  # done, and nothing said of lengths
    assert [bool(c.differs[0]) for c in (one(), one(put_in=12.0), one(put_in=NAN, taken_out=NAN))] == [
        False,
        True,
        False,
    ]
    assert bool(one(put_in=18.0, taken_out=12.0).differs[0])


def test_work_that_nobody_says_was_done_is_to_do_unless_a_measured_height_needs_none() -> None:
    undone = {"done": False, "put_in": NAN, "taken_out": NAN}
    assert state(**undone) == "to_do"
    assert Why(int(one(**undone).why[0])) is Why.not_done
    assert state(**undone, clearance=4.0) == "stands"
    assert state(**undone, as_flange=2.5) == "stands"
    assert state(**undone, clearance=-2.0) == "to_do"
    nothing = {"rise": 0.0, "new": 0.0}
    assert state(**undone, **nothing) == "too_low"
    # An exchange whose raise is 0 by chance is work all the same.
    assert state(**undone, rise=0.0, new=12.0, out=12.0) == "to_do"


def test_what_was_left_to_the_site_is_to_do_until_it_stands_or_somebody_says_what_was_done() -> None:
    left = {"open": True, "rise": 0.0, "new": 0.0}
    undone = {"done": False, "put_in": NAN, "taken_out": NAN}
    assert state(**left, **undone) == "to_do"
    assert Why(int(one(**left, **undone).why[0])) is Why.not_decided
    assert state(**left, **undone, flange=4.0) == "stands"
    assert state(**left) == "stands"
    assert not one(**left).differs[0]
    assert state(relocate=True, **undone, clearance=4.0) == "to_do"


@pytest.mark.parametrize(
    ("known", "why"),
    [
        ({"as_ground": NAN}, Why.no_ground),
        ({"flange": NAN}, Why.no_flange),
        ({"assumed": True}, Why.never_measured),
    ],
)
def test_what_cannot_be_said_says_why(known: dict[str, Any], why: Why) -> None:
    c = one(**known)
    assert (State(int(c.state[0])), Why(int(c.why[0]))) == (State.unknown, why)
    assert state(**known, clearance=4.0) == "stands"


def test_ground_off_the_design_is_told_beyond_3_sd_and_the_dressing() -> None:
    assert inches(one(as_ground=2.0).off) == 2
    assert inches(one(as_ground=2.0).off_sd) == pytest.approx(0.4 * math.sqrt(2), abs=1e-6)
    # 3 sd = 1.697 in; the dressing is 1 in
    assert [bool(one(as_ground=g).off_design[0]) for g in (1.6, 1.8, -1.8)] == [False, True, True]
    tight = {"ground_sd": 0.01, "as_ground_sd": 0.01}
    assert [bool(one(as_ground=g, **tight).off_design[0]) for g in (0.9, 1.1)] == [False, True]
    assert not one(as_ground=NAN).off_design[0]


def test_the_outlet_rule_is_held_against_what_stands() -> None:
    assert int(one(outlet=13.0).outlet_off[0]) == -1  # 4 + 13 = 17 < 18
    assert int(one(outlet=33.0).outlet_off[0]) == 1  # 37 > 36
    assert int(one(outlet=13.0, height=18.0).outlet_off[0]) == 0  # measured goes first
    assert int(one(outlet=NAN).outlet_off[0]) == 0
    flange = policy(outlet_from="flange")
    assert int(one(flange, outlet=20.0, as_ground=3.0).outlet_off[0]) == 0
    assert inches(one(flange, clearance=4.0, height=23.0).outlet) == 19


@given(
    ground=st.floats(-20, 20), flange=st.floats(-20, 20), put=st.sampled_from([0.0, 6.0, 12.0]),
    clearance=st.none() | st.floats(-20, 20),
)  # fmt: skip
def test_the_state_is_the_windows_word_for_any_heights(
    ground: float, flange: float, put: float, clearance: float | None
) -> None:
    c = one(as_ground=ground, flange=flange, put_in=put, clearance=NAN if clearance is None else clearance)
    final = flange + put - ground if clearance is None else clearance
    near = min(abs(final - edge) for edge in (1, 2, 6, 7)) < 0.01
    word = "stands" if 2 <= final <= 6 else "dress" if 1 <= final <= 7 else "too_low" if final < 2 else "too_high"
    assert near or State(int(c.state[0])).name == word


# -- points -----------------------------------------------------------------------------------------------------


def shots(*rows: tuple[float, bool, float, float, int]) -> Shots:
    z, flange, x, y, owner = (np.array(c) for c in zip(*rows, strict=True))
    return Shots(z.astype(float), flange.astype(bool), x.astype(float), y.astype(float), owner.astype(np.int64))


def test_points_are_a_hydrants_by_id_else_near_it_by_inverse_squared_distance() -> None:
    x, y = np.array([0.0, 100.0, 200.0]), np.zeros(3)
    found = laid(
        shots(
            (10.0, False, 0.5, 0, -1), (13.0, False, 0, 1.0, -1),  # 0: 1/0.25 and 1/1
            (20.0, False, 180, 0, 1), (22.0, False, 100, 0, 1), (99.0, False, 100, 0, -1),  # 1: its own, alike
            (23.0, True, 100, 0, 1), (5.0, False, 201.01, 0, -1), (7.0, True, 0, 0, -2),
        ), x, y, np.ones(3, dtype=bool),
    )  # fmt: skip
    assert found.ground[0] == pytest.approx((10 * 4 + 13 * 1) / 5)
    assert found.ground[1] == 21
    assert np.isnan(found.ground[2])
    assert found.flange[1] == 23
    assert found.unused.tolist() == [False, False, False, False, True, False, True, True]
    assert found.astray.tolist() == [False, False, True, False, False, False, False, False]
    assert (found.points.tolist(), found.spread.tolist()) == ([2, 2, 0], [3, 2, 0])


def test_ground_without_an_id_serves_those_alone_who_are_asked_for() -> None:
    found = laid(shots((10.0, False, 0, 0, -1)), np.zeros(2), np.zeros(2), np.array([False, True]))
    assert np.isnan(found.ground[0])
    assert found.ground[1] == 10


def test_points_where_there_are_no_hydrants_serve_nobody() -> None:
    found = laid(
        shots((10.0, False, 0, 0, -1), (11.0, True, 0, 0, -2)), np.zeros(0), np.zeros(0), np.zeros(0, dtype=bool)
    )
    assert len(found.ground) == 0
    assert found.unused.tolist() == [True, True]
    assert not found.astray.any()


# -- crews' rows ------------------------------------------------------------------------------------------------

SOLD = [Sold("Q-6", "A", 6 * IN), Sold("Q-12", "A", 12 * IN), Sold("R+12", "B", 12 * IN)]


def work(**cells: Any) -> Entry:
    return Entry("m.csv", cells.pop("line", 3), "H-1", work=True, **cells)


def test_a_part_says_its_length_and_a_length_its_part() -> None:
    v = visit([work(part="Q-12")], "A", SOLD)
    assert (v.put_in / IN, v.parts, v.done) == (pytest.approx(12), ("Q-12",), True)
    assert visit([work(put_in=12 * IN, taken_out=0.0)], "B", SOLD).parts == ("R+12",)
    assert visit([work(part="R+12")], "A", SOLD).parts == ("R+12",)  # a plus of its own is no sum
    assert visit([work(part="Q-6 + Q-12")], "A", SOLD).put_in / IN == pytest.approx(18)
    assert visit([work(part="Z-9", put_in=6 * IN)], "A", SOLD).parts == ("Z-9",)
    assert "is not of the length put in" in visit([work(part="Q-12", put_in=6 * IN)], "A", SOLD).said[0]


def test_rows_of_one_hydrant_add_up_and_say_so_and_what_was_found_last_counts() -> None:
    early, late = date(2027, 5, 3), date(2027, 5, 9)
    first = work(on=early, part="Q-12", clearance=1.0, drain=False)
    v = visit([work(on=late, part="Q-6", clearance=4 * IN, drain=True), first], "A", SOLD)
    assert (v.put_in / IN, v.clearance / IN, v.drain, v.on) == (pytest.approx(18), pytest.approx(4), True, late)
    assert "2 rows of work, their lengths added up" in v.said


def test_out_of_service_is_out_after_it_was_last_back() -> None:
    out, back = datetime(2027, 5, 3, 8), datetime(2027, 5, 3, 9)
    assert visit([work(out_at=out)], "A", SOLD).out
    assert not visit([work(out_at=out)], "A", SOLD).done
    assert not visit([work(out_at=out, back_at=back)], "A", SOLD).out
    assert visit([work(out_at=back, back_at=out)], "A", SOLD).out
    again = visit([work(out_at=out, back_at=back), work(out_at=datetime(2027, 5, 4))], "A", SOLD)
    assert again.dangers == ("out of service since 2027-05-04 00:00 and not back",)
    assert visit([work(leak=False, drain=False, back_at=back)], "A", SOLD).dangers == ("leaks", "does not drain")


def test_a_row_handed_in_twice_counts_once() -> None:
    kept, again = distinct([[work(part="Q-6")], [work(part="Q-6", line=9), work(part="Q-12")]])
    assert ([e.part for e in kept], again) == (["Q-6", "Q-12"], 1)


def test_parts_used_are_held_against_parts_ordered() -> None:
    found = kits({"Q-6": ("6 in", 3, 2)}, [visit([work(part="Q-6")], "A", SOLD), visit([work(part="Z")], "A", SOLD)])
    assert [(k.part, k.ordered, k.bought, k.used, k.left) for k in found] == [("Q-6", 3, 2, 1, 2), ("Z", 0, 0, 1, -1)]
