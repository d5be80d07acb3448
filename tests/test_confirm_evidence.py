"""What counts as work done and as a final height, from the forms to the states: hand-worked, over the tiny town.

The ground rises by 6 in. H-1, 4 in above it, and H-2, 4.5 in, are to get 6 in each; H-3, 10.25 in, is left.
"""

from __future__ import annotations

import json
from collections.abc import Callable
from datetime import date
from pathlib import Path
from typing import Any

import openpyxl
import pandas as pd
import pytest

from gradecheck import Plan
from gradecheck.fieldbook import Entry
from gradecheck.workdone import Meant, Sold, distinct, visit
from tests.conftest import Outcome
from tests.projects import hydrants, tiny_plan
from tests.test_confirm import as_designed, confirmed, on_disk, survey
from tests.test_fieldwork import form, row

IN = 0.0254
START = date(2027, 5, 3)
CATALOGUE = """currency = "USD"
[[extension]]
family = "A"
length = "6 in"
part_number = "Q-6"
[[extension]]
family = "A"
length = "12 in"
part_number = "Q-12"
"""


def town(folder: Path, **sections: Any) -> Plan:
    """The tiny town with a job from 3 May and parts with numbers."""
    (folder / "parts.toml").write_text(CATALOGUE, encoding="utf-8")
    return tiny_plan(folder, project={"starts": START}, catalog={"path": "parts.toml"}, **sections)


def of(folder: Path, *rows: dict[str, Any], asbuilt: str | None = None, **sections: Any) -> tuple[Any, dict[str, Any]]:
    """The layer and the summary for a form of these rows."""
    form(folder, *rows)
    return confirmed(town(folder, **sections), asbuilt or as_designed(folder), str(folder / "m.csv"))


def warned(summary: dict[str, Any]) -> str:
    return "\n".join(summary["warnings"])


# -- work -------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    "cells",
    [
        {"out_at": "2027-05-12 08:15", "back_at": "2027-05-12 11:30", "note": "could not loosen the bolts"},
        {"back_at": "2027-05-12 11:30"},
        {"length_fitted": 0, "length_taken_out": 0},
    ],
)
def test_being_back_in_service_is_no_work_done(cells: dict[str, Any], tmp_path: Path) -> None:
    frame, summary = of(tmp_path, row("H-1", "2027-05-12", **cells))
    assert frame.state["H-1"] == "to_do"
    assert pd.isna(frame.work_done["H-1"])
    assert "line 3 says nothing of a part of the catalogue, or of a length" in frame.remarks["H-1"]
    (item,) = [item for item in summary["to_do"] if item["hydrant_id"] == "H-1"]
    assert item["remarks"] == [frame.remarks["H-1"]]
    sheet = openpyxl.load_workbook(tmp_path / "out" / "confirm" / "acceptance.xlsx").worksheets[0]
    assert "says nothing of a part" in " ".join(str(c.value) for line in sheet.iter_rows() for c in line)


def test_a_part_of_the_catalogue_or_a_length_is_work_done(tmp_path: Path) -> None:
    frame, summary = of(
        tmp_path,
        row("H-1", "2027-05-12", part_number="Q-6"),
        row("H-2", "2027-05-12", length_fitted=6, back_at="2027-05-12"),
    )
    assert frame.state.to_dict() == {"H-1": "stands", "H-2": "stands", "H-3": "stands"}
    assert frame.remarks.isna().all()
    assert [(k["part_number"], k["used"]) for k in summary["kits"] if k["used"]] == [("Q-6", 2)]


@pytest.mark.parametrize("part", ["Q-99", "no", "6 in"])
def test_a_part_that_the_catalogue_has_not_is_no_work_done_and_named(part: str, tmp_path: Path) -> None:
    frame, summary = of(
        tmp_path,
        row("H-1", "2027-05-12", part_number=part),
        row("H-2", "2027-05-12", part_number=part, length_fitted=6),
    )
    assert frame.state.to_dict() == {"H-1": "to_do", "H-2": "stands", "H-3": "stands"}
    assert f"H-1: line 3: no part {part} in the catalogue; write the length put in" in warned(summary)
    assert f"H-2: line 4: no part {part} in the catalogue" in warned(summary)


@pytest.mark.parametrize("blank", ["none", "-", "N/A", "None"])
def test_words_for_nothing_are_blanks(blank: str, tmp_path: Path) -> None:
    cells = dict.fromkeys(("length_fitted", "length_taken_out", "part_number", "out_at", "back_at"), blank)
    frame, summary = of(
        tmp_path, row("H-1", "2027-05-12", **cells), row("H-2", "2027-05-12", part_number=blank, note="x")
    )
    assert (frame.state["H-1"], frame.state["H-2"]) == ("to_do", "to_do")
    assert not [k for k in summary["kits"] if k["used"]]
    assert summary["dangers"] == []


def test_where_a_piece_was_to_come_out_only_its_length_tells_of_that() -> None:
    sold, meant = [Sold("Q-18", "A", 18 * IN)], Meant(18 * IN, 12 * IN)

    def one(**cells: Any) -> Any:
        return visit([Entry("m.csv", 3, "H-1", work=True, **cells)], "A", sold, meant)

    silent = one(part="Q-18")
    assert (silent.done, silent.parts) == (False, ("Q-18",))
    assert silent.said == (
        "line 3 says nothing of the length that was to be taken out: write length_taken_out, 0 for none",
    )
    assert one(part="Q-18", taken_out=12 * IN).done
    assert one(part="Q-18", taken_out=0.0).done
    assert one(taken_out=12 * IN).done


def test_work_dated_before_the_start_is_passed_over_by_name(tmp_path: Path) -> None:
    frame, summary = of(
        tmp_path, row("H-1", "2024-05-12", length_fitted=6, part_number="Q-6", clearance=4),
        row("H-2", "", length_fitted=6, back_at="2027-05-02"),
    )  # fmt: skip
    assert (frame.state["H-1"], frame.state["H-2"]) == ("to_do", "to_do")
    told = warned(summary)
    assert "2 rows of work dated before the job's start" in told
    assert "H-1 (line 3) of 2024-05-12, H-2 (line 4) of 2027-05-02" in told
    assert not [k for k in summary["kits"] if k["used"]]


def test_work_of_more_than_a_year_before_the_survey_is_passed_over_where_no_start_is_known(tmp_path: Path) -> None:
    asbuilt = survey(tmp_path, *((f"H-{n}", 100.5, "2027-05-20") for n in (1, 2, 3)), head="hydrant_id,elevation,date")
    form(tmp_path, row("H-1", "2026-05-19", length_fitted=6, length_taken_out=0),
         row("H-2", "2026-05-20", length_fitted=6, length_taken_out=0))  # fmt: skip
    frame, summary = confirmed(tiny_plan(tmp_path), asbuilt, str(tmp_path / "m.csv"))
    assert (frame.state["H-1"], frame.state["H-2"]) == ("to_do", "stands")
    assert "1 row of work dated before the job's start, or more than a year before the survey" in warned(summary)


def test_work_without_any_day_counts_and_is_asked_about(tmp_path: Path) -> None:
    frame, summary = of(tmp_path, row("H-1", length_fitted=6, part_number="Q-6"))
    assert frame.state["H-1"] == "stands"
    assert "1 row of work without a date, taken as done since the job's start: H-1 (line 3)" in warned(summary)


# -- equal rows -------------------------------------------------------------------------------------------------

PIECE = {"length_fitted": 6, "part_number": "Q-6", "back_at": "2027-05-12 11:30"}


def twelve(folder: Path) -> dict[str, Any]:
    """A layer of one hydrant that needs 12 in: 2 in above the ground today, it ends 4 in below the new one."""
    return {"layer": hydrants({"asset_id": ["H-1"], "flange_in": [-2.0]}, [(11, 23)])}


def test_two_equal_rows_of_one_file_are_two_pieces_where_they_make_the_planned_length(tmp_path: Path) -> None:
    rows = [row("H-1", "2027-05-12", **PIECE)] * 2
    frame, summary = of(tmp_path, *rows, **twelve(tmp_path))
    h = frame.loc["H-1"]
    assert (h.work_planned, h.work_done, h.state) == ("add 12 in", "put in 12 in (Q-6; Q-6)", "stands")
    assert h.clearance_final_in == pytest.approx(4, abs=1e-3)  # -2 - 6 + 12
    assert "lines 3, 4 are equal: 2 pieces, which make the planned length" in h.remarks
    assert [k["used"] for k in summary["kits"] if k["part_number"] == "Q-6"] == [2]


def test_two_equal_rows_that_do_not_make_it_count_once_and_are_asked_about(tmp_path: Path) -> None:
    frame, summary = of(tmp_path, *[row("H-1", "2027-05-12", **PIECE)] * 2)  # 6 in planned
    assert frame.work_done["H-1"] == "put in 6 in (Q-6)"
    assert "lines 3, 4 are equal, and do not make the planned length together" in frame.remarks["H-1"]
    assert "H-1: lines 3, 4 are equal" in warned(summary)


def test_equal_rows_of_two_files_are_one(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path, **twelve(tmp_path))
    for name in ("m.csv", "n.csv"):
        form(tmp_path, row("H-1", "2027-05-12", length_fitted=6, length_taken_out=0), name=name)
    frame, summary = confirmed(plan, as_designed(tmp_path), str(tmp_path / "m.csv"), str(tmp_path / "n.csv"))
    assert (frame.work_done["H-1"], frame.state["H-1"]) == ("put in 6 in", "too_low")
    assert "1 rows say again what another file says" in warned(summary)


def test_as_many_equal_rows_count_as_the_file_has_that_has_most() -> None:
    a, b = Entry("a.csv", 3, "H-1", part="Q-6", work=True), Entry("b.csv", 3, "H-1", part="Q-6", work=True)
    assert distinct([[a], [b, b]]) == ([a, b], 1)
    assert distinct([[a, a], [b]]) == ([a, a], 1)


# -- heights ----------------------------------------------------------------------------------------------------


def test_a_clearance_measured_before_the_work_is_not_final(tmp_path: Path) -> None:
    # H-1: 4 - 6 + 12 = 10 in by the flange of before; 4.25 in was measured 16 days before the work.
    frame, summary = of(
        tmp_path,
        row("H-1", "2027-05-04", clearance=4.25),
        row("H-1", "2027-05-20", length_fitted=12, part_number="Q-12"),
    )
    h = frame.loc["H-1"]
    assert (h.state, h.clearance_rests_on) == ("too_high", "planned")
    assert h.clearance_final_in == pytest.approx(10, abs=1e-3)
    assert "heights_disagree: clearance of 2027-05-04 (line 3) is older than the work of 2027-05-20" in h.remarks
    assert "heights_disagree" in warned(summary)


def test_a_clearance_measured_with_or_after_the_work_is_final(tmp_path: Path) -> None:
    frame, _ = of(
        tmp_path, row("H-1", "2027-05-20", length_fitted=6, part_number="Q-6", clearance=4.25),
        row("H-2", "2027-05-20", length_fitted=6, part_number="Q-6"), row("H-2", "2027-05-21", clearance=5),
    )  # fmt: skip
    assert list(frame.clearance_rests_on[["H-1", "H-2"]]) == ["measured", "measured"]
    assert frame.remarks.isna().all()


def test_a_height_that_says_the_planned_work_was_done_needs_a_row_of_it(tmp_path: Path) -> None:
    # H-1: 4 - 6 = -2 in without the work; 4.25 in was there before the paving. H-2: 4.5 - 6 = -1.5, measured so.
    frame, _ = of(tmp_path, row("H-1", "2027-05-04", clearance=4.25), row("H-2", "2027-05-04", clearance=-1.25))
    assert (frame.state["H-1"], frame.state["H-2"]) == ("to_do", "to_do")
    assert list(frame.clearance_rests_on[["H-1", "H-2"]]) == ["planned", "measured"]
    assert "heights_disagree: clearance measured 4.2 in, computed -2 in" in frame.remarks["H-1"]
    assert pd.isna(frame.remarks["H-2"])
    register = pd.read_csv(tmp_path / "out" / "confirm" / "register.csv").set_index("hydrant_id")
    assert pd.isna(register.clearance_in["H-1"])
    assert pd.isna(register.flange_elevation_ft["H-1"])


def test_where_the_ground_as_built_is_not_known_the_design_judges_a_height(tmp_path: Path) -> None:
    asbuilt = survey(tmp_path, ("H-3", 100.5, "ground"))
    frame, _ = of(tmp_path, row("H-1", "2027-05-04", clearance=4.25), asbuilt=asbuilt)
    assert frame.state["H-1"] == "to_do"
    assert "heights_disagree" in frame.remarks["H-1"]


def test_of_one_day_nobody_knows_whether_the_height_or_the_work_came_first(tmp_path: Path) -> None:
    # H-1: -2 in with the ground raised and nothing put in, 4 in after the work; H-2: 4.5 - 6 + 6 = 4.5, measured 4.25.
    work = {"length_fitted": 6, "part_number": "Q-6"}
    frame, _ = of(
        tmp_path, row("H-1", "2027-05-20", clearance=-2), row("H-1", "2027-05-20", **work),
        row("H-2", "2027-05-20", clearance=4.25), row("H-2", "2027-05-20", **work),
    )  # fmt: skip
    assert list(frame.clearance_rests_on[["H-1", "H-2"]]) == ["planned", "measured"]
    assert frame.state["H-1"] == "stands"
    assert "heights_disagree: clearance measured -2 in, computed 4 in, and maybe before" in frame.remarks["H-1"]


def test_a_length_found_fitted_after_the_height_makes_it_doubtful(tmp_path: Path) -> None:
    layer = hydrants({"asset_id": ["H-1"], "flange_in": [4.0], "ext_in": [0]}, [(11, 23)])
    fitted = {"extension_fitted": {"column": "ext_in", "unit": "in"}}
    for clearance, rests in ((-2, "planned"), (4.25, "measured")):
        rows = row("H-1", "2027-05-04", clearance=clearance), row("H-1", "2027-05-20", length_fitted=6)
        frame, _ = of(tmp_path, *rows, layer=layer, hydrants=fitted)
        assert (frame.state["H-1"], frame.clearance_rests_on["H-1"]) == ("stands", rests)


def test_what_contradicts_the_computed_height_after_the_work_is_told_and_counts(tmp_path: Path) -> None:
    # H-3 is left as it is and ends at 4.25 in; 8 in was measured.
    frame, _ = of(tmp_path, row("H-3", "2027-05-20", clearance=8))
    assert (frame.state["H-3"], frame.clearance_rests_on["H-3"]) == ("too_high", "measured")
    assert "heights_disagree: clearance measured 8 in, computed 4.2 in; what was found counts" in frame.remarks["H-3"]


def test_a_flange_surveyed_before_the_work_is_not_final(tmp_path: Path) -> None:
    head = "hydrant_id,ground_elevation,flange_elevation,date"
    asbuilt = survey(tmp_path, ("H-1", 100.5, 100.8333, "2027-05-10"), head=head)
    frame, _ = of(tmp_path, row("H-1", "2027-05-20", length_fitted=12, part_number="Q-12"), asbuilt=asbuilt)
    assert (frame.state["H-1"], frame.clearance_rests_on["H-1"]) == ("too_high", "planned")
    assert "flange surveyed 2027-05-10, before the work of 2027-05-20, is not final" in frame.remarks["H-1"]


def test_a_crews_flange_of_before_the_work_is_not_final(tmp_path: Path) -> None:
    frame, _ = of(tmp_path, row("H-1", "2027-05-04", flange_elevation=100.8333))
    assert frame.state["H-1"] == "to_do"
    assert (
        "heights_disagree: flange found 6 in above where it is computed to be, and maybe before" in frame.remarks["H-1"]
    )


# -- dangers ----------------------------------------------------------------------------------------------------


def test_dangers_are_told_of_any_day_and_of_rows_that_are_passed_over(tmp_path: Path) -> None:
    frame, summary = of(
        tmp_path, row("H-1", "2027-04-28", leak_ok="no"),
        row("H-2", "05/12/2027", drain_ok="no", out_at="2027-05-12 08:15"),
        row("H-3", "", leak_ok="no"), row("", "2027-05-12", drain_ok="no"), row("GONE", "2027-05-12", leak_ok="drips"),
    )  # fmt: skip
    assert [(d["hydrant_id"], d["what"]) for d in summary["dangers"]][:4] == [
        ("H-1", "leaks"), ("H-2", "out of service since 2027-05-12 08:15 and not back"), ("H-2", "does not drain"),
        ("H-3", "leaks"),
    ]  # fmt: skip
    name, what = summary["dangers"][4]["hydrant_id"], summary["dangers"][4]["what"]
    assert name.endswith("m.csv line 6")
    assert what == "does not drain (the row has no hydrant_id)"
    assert summary["dangers"][5] == {
        "hydrant_id": "GONE",
        "what": "look: leak_ok says 'drips' (no hydrant has this id)",
    }
    assert frame.danger.notna().all()


def test_rows_of_ambiguous_days_count_with_their_order_given(tmp_path: Path, said: Callable[..., Outcome]) -> None:
    plan, asbuilt = on_disk(tmp_path), as_designed(tmp_path)
    form(tmp_path, row("H-1", "05/12/2027", length_fitted=6, out_at="05/12/2027 08:15", back_at="05/12/2027 11:30"))
    arguments = ("confirm", plan, "--asbuilt", asbuilt, "--field", tmp_path / "m.csv", "--json")
    _, text, _ = said(*arguments)
    found = json.loads(text)
    assert found["states"]["to_do"] == 2
    assert "03/04/2027 is read by --date-order mdy or --date-order dmy" in warned(found)
    assert "out_at says '05/12/2027 08:15'" in found["dangers"][0]["what"]
    _, text, _ = said(*arguments, "--date-order", "mdy")
    found = json.loads(text)
    assert (found["states"]["to_do"], found["dangers"]) == (1, [])
    status, text, _ = said(*arguments, "--date-order", "ymd")
    assert (status, json.loads(text)["ok"]) == (2, False)
    assert "'ymd' is no order" in text
