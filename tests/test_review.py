"""The review loop: edits are counted, survive new runs, say what changed since, and an impossible one never counts."""

from __future__ import annotations

import csv
import json
import sqlite3
from contextlib import closing
from pathlib import Path
from typing import Any

import geopandas as gpd
import pyogrio
import pytest

from gradecheck import InputError, OutputError, Plan, pipeline, run
from gradecheck.outputs.style import MARKS
from gradecheck.placing import LOCK
from tests.edits import edit, with_functions
from tests.projects import hydrants, plan_values, point, three, tiny_plan, write_grounds

# H-1, H-2 measured 4 and 4.5 in, H-3 10.25 in; the ground rises 6 in: H-1 and H-2 end below ground and get 6 in,
# H-3 ends at 4.25 in and is left.
CATALOG = """
[[extension]]
family = "A"
length = "6 in"
part_number = "Q-06"
unit_cost = 100.0
[[extension]]
family = "A"
length = "12 in"
part_number = "Q-12"
unit_cost = 150.0
"""


def project(folder: Path, layer: Any = None, after: float = 100.5, **sections: Any) -> Plan:
    (three() if layer is None else layer).to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder, 100.0, after)
    (folder / "parts.toml").write_text(CATALOG, encoding="utf-8")
    sections.setdefault("hydrants", {}).setdefault("extension_fitted", "0 in")
    return Plan.parse(plan_values(catalog={"path": "parts.toml"}, **sections), folder)


def rows(folder: Path, layer: str = "hydrants") -> dict[str, dict[str, Any]]:
    table = pyogrio.read_dataframe(folder / "out" / "gradecheck.gpkg", layer=layer)
    frame = table.astype(object).where(table.notna(), None)
    return {r["hydrant_id"]: r for r in frame.to_dict("records")}


def bought(folder: Path, name: str = "order.csv") -> dict[str, tuple[int, int]]:
    """Firm and ordered quantity by part."""
    with (folder / "out" / name).open(encoding="utf-8-sig") as file:
        return {r["part_number"]: (int(r["quantity_firm"]), int(r["quantity_order"])) for r in csv.DictReader(file)}


def package(folder: Path) -> Path:
    return folder / "out" / "gradecheck.gpkg"


def test_without_edits_the_order_is_the_same_again(tmp_path: Path) -> None:
    run(project(tmp_path))
    before = (tmp_path / "out" / "order.csv").read_bytes()
    summary = pipeline.order(package(tmp_path))
    assert (tmp_path / "out" / "order.csv").read_bytes() == before
    assert summary["reviewed"] == 0
    assert bought(tmp_path) == {"Q-06": (2, 2)}


@pytest.mark.parametrize(
    ("values", "expected"),
    [
        ({"action": "extend", "length": 12.0}, {"Q-06": (1, 1), "Q-12": (1, 1)}),
        ({"length": 12.0}, {"Q-06": (1, 1), "Q-12": (1, 1)}),
        ({"action": "keep"}, {"Q-06": (1, 1)}),
        ({"action": "Keep "}, {"Q-06": (1, 1)}),
        ({"action": "relocate"}, {"Q-06": (1, 1)}),
        ({"action": "too high"}, {"Q-06": (1, 1)}),
        ({"action": "Set on site"}, {"Q-06": (1, 2)}),
        ({"action": "measure first"}, {"Q-06": (1, 2)}),
        ({"action": "extend"}, {"Q-06": (2, 2)}),
        ({"note": "seen on site"}, {"Q-06": (2, 2)}),
    ],
    ids=str,
)
def test_a_reviewed_choice_counts_instead_of_the_computed_one(
    tmp_path: Path, values: dict[str, Any], expected: dict[str, tuple[int, int]]
) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-1", **values)
    summary = pipeline.order(package(tmp_path))
    assert bought(tmp_path) == expected
    assert summary["reviewed"] == (0 if set(values) == {"note"} else 1)
    listed = pyogrio.read_dataframe(package(tmp_path), layer="order")
    assert dict(zip(listed.part_number, listed.quantity_order, strict=True)) == {k: v[1] for k, v in expected.items()}


def test_a_row_left_alone_by_the_computer_may_be_extended_by_the_analyst(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-3", action="extend", length=6.0)
    pipeline.order(package(tmp_path))
    assert bought(tmp_path) == {"Q-06": (3, 3)}


def test_a_reviewed_row_is_firm_whatever_it_was(tmp_path: Path) -> None:
    layer = three()
    layer["flange_in"] = None
    run(project(tmp_path, layer))
    assert not any(r["firm"] for r in rows(tmp_path).values())
    edit(package(tmp_path), "H-2", action="extend", length=6.0)
    pipeline.order(package(tmp_path))
    assert {k: bool(r["firm"]) for k, r in rows(tmp_path).items()} == {"H-1": False, "H-2": True, "H-3": False}
    assert bought(tmp_path)["Q-06"][0] == 1


def test_exchanges_and_taking_out_are_counted_by_what_is_fitted(tmp_path: Path) -> None:
    section = {"extension_fitted": "12 in"}
    plan = project(tmp_path, hydrants=section)
    run(plan)
    edit(package(tmp_path), "H-1", action="shorten", length=6.0)
    edit(package(tmp_path), "H-2", action="shorten")
    edit(package(tmp_path), "H-3", action="keep")
    pipeline.order(package(tmp_path))
    assert bought(tmp_path) == {"Q-06": (1, 1)}  # 12 in exchanged for 6; 12 in taken out; nothing


@pytest.mark.parametrize(
    ("values", "words"),
    [
        ({"action": "extend", "length": 13.0}, "no extend with 13 in of new length: the catalogue gives 6 in, 12 in"),
        ({"action": "raise"}, "review_action 'raise' is unknown"),
        ({"action": "extnd", "length": 6.0}, "did you mean 'extend'?"),
        ({"length": -6.0}, "review_extension -6 in is below 0"),
        ({"action": "keep", "length": 6.0}, "keep takes no extension, yet review_extension is 6 in"),
        ({"action": "shorten", "length": 6.0}, "shorten, yet no extension is fitted"),
        ({"length": 0.0}, "review_extension 0 alone may mean several things"),
    ],
    ids=str,
)
def test_an_impossible_edit_is_named_and_counts_for_nothing(tmp_path: Path, values: dict[str, Any], words: str) -> None:
    plan = project(tmp_path)
    run(plan)
    edit(package(tmp_path), "H-2", **values)
    summary = pipeline.order(package(tmp_path))
    assert summary["reviewed"] == 0
    assert [w for w in summary["warnings"] if w.startswith("H-2: ") and words in w]
    assert bought(tmp_path) == {"Q-06": (2, 2)}
    result = run(plan)
    assert any("H-2" in w and words in w for w in result.summary["warnings"])
    assert rows(tmp_path)["H-2"]["review_action"] == (values.get("action") or None)


def test_every_label_of_the_map_is_an_action_to_a_reviewer(tmp_path: Path) -> None:
    layer = tmp_path / "out" / "gradecheck.gpkg"
    run(project(tmp_path))
    for label in [m.label for m in MARKS if m.label not in ("extend", "shorten", "outside the plan")]:
        edit(layer, "H-1", action=label)
        summary = pipeline.order(layer)
        assert summary["reviewed"] == 1, label
        assert not any("not counted" in w for w in summary["warnings"]), label


def test_a_choice_that_misses_the_window_counts_and_is_told(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-1", length=12.0)  # 4 in today, 2 in below ground after: 12 in more end at 10
    edit(package(tmp_path), "H-2", action="keep")
    summary = pipeline.order(package(tmp_path))
    assert summary["warnings"] == [
        "H-1: the flange then ends 10 in above ground, 4 in above the window; counted all the same",
        "H-2: the flange then ends 1.5 in below ground, 3.5 in below the window; counted all the same",
    ]
    assert summary["reviewed"] == 2


def test_a_hydrant_that_a_reviewer_reopens_is_not_firm_and_the_record_follows_the_review(tmp_path: Path) -> None:
    result = run(project(tmp_path))
    assert (result.summary["counts"]["firm"], result.summary["actions"]) == (3, {"keep": 1, "extend": 2})
    edit(package(tmp_path), "H-1", action="measure")
    pipeline.order(package(tmp_path))
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert (record["counts"]["firm"], record["counts"]["reviewed"]) == (2, 1)
    assert record["actions"] == {"keep": 1, "extend": 1, "measure": 1}
    again = run(project(tmp_path)).summary
    assert (again["counts"]["firm"], again["actions"]) == (2, record["actions"])


def test_extend_without_a_length_where_nothing_was_computed_asks_for_one(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-3", action="extend")
    assert any("fill in review_extension" in w for w in pipeline.order(package(tmp_path))["warnings"])


def test_a_hydrant_may_be_put_back_among_the_open_ones(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-1", action="on_site")
    pipeline.order(package(tmp_path))
    firm, ordered = bought(tmp_path)["Q-06"]
    assert (firm, ordered) == (1, 2)  # no longer certain, still likely


# --- a new run -------------------------------------------------------------------------------------------------


def test_edits_survive_a_new_run_and_are_counted_in_its_order(tmp_path: Path) -> None:
    plan = project(tmp_path)
    run(plan)
    edit(package(tmp_path), "H-1", action="extend", length=12.0, note="stands in a dip")
    result = run(plan)
    row = rows(tmp_path)["H-1"]
    assert (row["review_action"], row["review_extension_in"], row["review_note"]) == ("extend", 12.0, "stands in a dip")
    assert row["review_changed"] is None
    assert (row["action"], row["extension_in"]) == ("extend", 6.0)
    assert bought(tmp_path) == {"Q-06": (1, 1), "Q-12": (1, 1)}
    assert result.summary["counts"]["reviewed"] == 1
    assert len(rows(tmp_path, "review_kept")) == 0


def test_edits_follow_their_hydrants_through_another_order_of_rows_and_another_unit(tmp_path: Path) -> None:
    plan = project(tmp_path)
    run(plan)
    edit(package(tmp_path), "H-2", action="extend", length=12.0)
    layer = three().iloc[::-1].reset_index(drop=True)
    run(project(tmp_path, layer, output={"unit": "mm"}))
    row = rows(tmp_path)["H-2"]
    assert row["review_extension_mm"] == pytest.approx(304.8)
    assert bought(tmp_path)["Q-12"] == (1, 1)
    edit(package(tmp_path), "H-1", unit="mm", length=305.0)  # as a ruler shows it
    run(plan)
    assert rows(tmp_path)["H-1"]["review_extension_in"] == pytest.approx(305 / 25.4)
    assert bought(tmp_path) == {"Q-12": (2, 2)}


def test_edits_of_hydrants_that_are_gone_are_kept_and_come_back_with_them(tmp_path: Path) -> None:
    plan = project(tmp_path)
    run(plan)
    edit(package(tmp_path), "H-1", action="extend", length=12.0, note="ask the chief")
    result = run(project(tmp_path, three().iloc[1:]))
    kept = rows(tmp_path, "review_kept")["H-1"]
    assert (kept["review_action"], kept["review_extension_in"], kept["review_note"]) == (
        "extend",
        12.0,
        "ask the chief",
    )
    assert any("since their hydrants are no longer there: 1 edit (H-1)" in w for w in result.summary["warnings"])
    run(project(tmp_path, three().iloc[1:]))
    assert list(rows(tmp_path, "review_kept")) == ["H-1"]
    run(project(tmp_path))
    assert rows(tmp_path)["H-1"]["review_extension_in"] == 12.0
    assert len(rows(tmp_path, "review_kept")) == 0


def test_a_made_up_id_is_found_again_by_its_place(tmp_path: Path) -> None:
    layer = three()
    layer.loc[1, "asset_id"] = None
    run(project(tmp_path, layer))
    edit(package(tmp_path), "row-2", note="the second row", action="keep")
    more = hydrants({"asset_id": ["NEW"], "flange_in": [5.0]}, [(90, 90)])
    moved = gpd.pd.concat([more, layer], ignore_index=True)
    run(project(tmp_path, gpd.GeoDataFrame(moved, crs=layer.crs)))
    assert rows(tmp_path)["row-3"]["review_note"] == "the second row"
    assert len(rows(tmp_path, "review_kept")) == 0


def test_a_made_up_id_at_another_place_is_another_hydrant(tmp_path: Path) -> None:
    layer = three()
    layer.loc[1, "asset_id"] = None
    run(project(tmp_path, layer))
    edit(package(tmp_path), "row-2", action="keep")
    layer.loc[1, "geometry"] = point(38, 5)
    run(project(tmp_path, layer))
    assert rows(tmp_path)["row-2"]["review_action"] is None
    assert list(rows(tmp_path, "review_kept")) == ["row-2"]


def test_repeated_ids_keep_their_edits_apart_whatever_their_order(tmp_path: Path) -> None:
    layer = three()
    layer["asset_id"] = ["X", "X", "H-3"]
    run(project(tmp_path, layer))
    names = [n for n in rows(tmp_path) if n.startswith("X")]
    edit(package(tmp_path), "X#2", note="the one at the school")
    place = {n: r["geometry"] for n, r in rows(tmp_path).items()}["X#2"]
    run(project(tmp_path, layer.iloc[::-1].reset_index(drop=True)))
    noted = [(n, r["geometry"]) for n, r in rows(tmp_path).items() if r["review_note"]]
    assert len(names) == 2
    assert [g for _, g in noted] == [place]


def test_what_changed_since_the_edit_is_said_until_the_edit_is_made_anew(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-1", action="extend", length=12.0)
    edit(package(tmp_path), "H-3", note="looked at")
    higher = project(tmp_path, after=101.0)
    run(higher)
    told = {k: r["review_changed"] for k, r in rows(tmp_path).items()}
    assert told == {
        "H-1": "computed was extend 6 in, is now extend 12 in",
        "H-2": None,
        "H-3": "computed was keep, is now extend 6 in",
    }
    assert rows(tmp_path)["H-3"]["review_note"] == "looked at"
    run(higher)
    assert rows(tmp_path)["H-1"]["review_changed"] == told["H-1"]
    edit(package(tmp_path), "H-1", length=6.0)
    run(higher)
    assert rows(tmp_path)["H-1"]["review_changed"] is None
    assert rows(tmp_path)["H-3"]["review_changed"] == told["H-3"]
    run(project(tmp_path))
    assert rows(tmp_path)["H-3"]["review_changed"] is None  # as it was when it was looked at


# --- files -------------------------------------------------------------------------------------------------------


def test_the_order_may_go_elsewhere_and_the_record_is_renewed(tmp_path: Path) -> None:
    run(project(tmp_path))
    edit(package(tmp_path), "H-1", action="keep")
    pipeline.order(package(tmp_path), out=tmp_path / "desk")
    assert sorted(p.name for p in (tmp_path / "desk").iterdir() if p.name != LOCK) == ["order.csv", "order.xlsx"]
    assert bought(tmp_path) == {"Q-06": (2, 2)}  # beside the layer: as it was
    pipeline.order(package(tmp_path))
    record = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))
    assert record["review"]["reviewed"] == 1
    for name in ("gradecheck.gpkg", "order.csv", "order.xlsx"):
        import hashlib

        content = (tmp_path / "out" / name).read_bytes()
        assert record["outputs"][name] == {"bytes": len(content), "sha256": hashlib.sha256(content).hexdigest()}


def test_rows_deleted_in_the_gis_are_said_and_still_counted(tmp_path: Path) -> None:
    run(project(tmp_path))
    db = sqlite3.connect(package(tmp_path))
    with_functions(db)
    with db:
        db.execute("DELETE FROM hydrants WHERE hydrant_id = 'H-2'")
    db.close()
    summary = pipeline.order(package(tmp_path))
    assert any("deleted from the layer and counted as computed: 1 (H-2)" in w for w in summary["warnings"])
    assert bought(tmp_path) == {"Q-06": (2, 2)}


def test_a_file_that_is_none_of_ours_is_refused(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no such file"):
        pipeline.order(tmp_path / "gone.gpkg")
    three().to_file(tmp_path / "other.gpkg", layer="hydrants")
    with pytest.raises(InputError, match="is no GeoPackage of this program"):
        pipeline.order(tmp_path / "other.gpkg")
    (tmp_path / "broken.gpkg").write_bytes(b"SQLite format 3\0 and no more of it" * 40)
    with pytest.raises(InputError, match="cannot be read"):
        pipeline.order(tmp_path / "broken.gpkg")


def test_a_layer_that_is_open_elsewhere_is_left_alone(tmp_path: Path) -> None:
    run(project(tmp_path))
    content = package(tmp_path).read_bytes()
    db = sqlite3.connect(package(tmp_path))
    db.execute("BEGIN IMMEDIATE")
    with pytest.raises(OutputError, match=r"another program has it open|a program has the file open"):
        pipeline.order(package(tmp_path))
    db.rollback()
    db.close()
    assert package(tmp_path).read_bytes() == content


def test_a_broken_former_layer_stops_a_run_since_edits_in_it_would_be_lost(tmp_path: Path) -> None:
    plan = project(tmp_path)
    run(plan)
    package(tmp_path).write_bytes(package(tmp_path).read_bytes()[:5000])
    with pytest.raises(InputError, match="review edits in it would be lost"):
        run(plan)


def test_a_length_that_is_a_text_is_refused_and_never_taken_for_a_number(tmp_path: Path) -> None:
    plan = tiny_plan(tmp_path)
    run(plan)
    with closing(sqlite3.connect(tmp_path / "out" / "gradecheck.gpkg")) as db:
        with_functions(db)
        db.execute(
            "UPDATE hydrants SET review_action = 'extend', review_extension_in = '7 in' WHERE hydrant_id = 'H-2'"
        )
        db.commit()
    with pytest.raises(InputError, match="review_extension_in of a reviewed hydrant is no number") as told:
        run(plan)
    assert "(H-2: '7 in') -> write it as a number of in" in str(told.value)
