"""What would settle it, through a run: its rows, the measuring list in the layer, walks, the page; by counting anew."""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio
import pytest
from lxml import html as lxml_html

from gradecheck import compute, run
from gradecheck.outputs.summary import summary_text
from tests.conftest import Sample
from tests.projects import hydrants, three, tiny_plan

DECIDED, OPEN = ("keep", "extend", "shorten"), ("measure", "on_site")


def record(sample: Sample) -> dict[str, Any]:
    return json.loads((sample.out / "run.json").read_text(encoding="utf-8"))


def layer(sample: Sample) -> gpd.GeoDataFrame:
    return pyogrio.read_dataframe(sample.package, layer="hydrants")


def test_todays_row_is_what_the_layer_says(sample: Sample) -> None:
    frame = layer(sample)
    chosen = frame[frame.action.isin([*DECIDED, *OPEN])]
    today = record(sample)["settle"][0]
    assert today["inputs"] == "today's inputs"
    assert today["hydrants"] == len(chosen)
    assert today["decided"] == pytest.approx(chosen.action.isin(DECIDED).mean(), abs=1e-4)
    # rows that the job does not alter state another probability; of the others it is that of the best choice
    plain = chosen[~chosen.reason.str.contains("does not alter")]
    assert len(chosen) - len(plain) < 6
    least = (1 - plain.confidence).sum()
    assert least - 1e-3 <= today["wrong"] <= least + 1e-3 + len(chosen) - len(plain)


def test_better_inputs_decide_more_and_put_less_at_risk(sample: Sample) -> None:
    rows = {r["inputs"]: r for r in record(sample)["settle"]}
    today = rows["today's inputs"]
    sds = [rows[f"both surfaces to {sd} ft"] for sd in ("0.1", "0.05", "0.02")]
    for worse, better in zip([today, *sds], sds, strict=False):
        assert better["decided"] >= worse["decided"]
        assert better["wrong"] <= worse["wrong"]
        assert better["at_risk"] <= worse["at_risk"]
    best = rows["surfaces to 0.02 ft, flanges measured"]
    assert best["wrong"] < min(r["wrong"] for name, r in rows.items() if name != best["inputs"])


def test_the_measuring_list_ranks_only_flanges_that_are_assumed_in_the_order_of_its_worth(sample: Sample) -> None:
    frame = layer(sample)
    ranked = frame[frame.measure_rank.notna()].sort_values("measure_rank")
    assert ranked.measure_rank.tolist() == list(range(1, len(ranked) + 1))
    assert set(ranked.clearance_basis) == {"assumed"}
    ids = list(sample.result.assessment.inputs.hydrants.id)
    listed = sample.result.assessment.prospect.measuring
    assert ranked.hydrant_id.tolist() == [ids[i] for i in listed.index.tolist()]
    assert (np.diff(listed.value) <= 1e-9).all()


def test_walks_are_short_of_one_street_and_take_in_no_hydrant_twice(sample: Sample) -> None:
    frame = layer(sample).set_index("hydrant_id")
    walks = pyogrio.read_dataframe(sample.package, layer="measuring_walks")
    seen: list[str] = []
    for walk in walks.itertuples():
        ids = walk.ids.split("; ")
        assert len(ids) == walk.hydrants
        assert set(frame.street[ids]) == {walk.street}
        steps = frame.geometry[ids].distance(frame.geometry[ids].shift()).dropna()
        assert (steps <= 150 + 1e-6).all()
        assert walk.length_ft == pytest.approx(steps.sum() / 0.3048, abs=0.2)
        seen += ids
    assert len(set(seen)) == len(seen)
    assert walks.worth.is_monotonic_decreasing
    assert walks.walk.tolist() == list(range(1, len(walks) + 1))


def test_the_page_has_the_rows_and_the_walks(sample: Sample) -> None:
    tree = lxml_html.fromstring((sample.out / "report.html").read_text(encoding="utf-8"))
    rows, walks, first = tree.xpath('//section[@id="settle"]//table')
    told = [[c.text_content().strip() for c in tr.xpath("th|td")] for tr in rows.xpath("tbody/tr")]
    for cells, wanted in zip(told, record(sample)["settle"], strict=True):
        assert cells[0] == wanted["inputs"]
        assert cells[1] == f"{100 * wanted['decided']:.0f} %"
        assert cells[3] == f"{wanted['wrong']:.1f}"
        assert cells[5] == f"{wanted['at_risk']:,.0f} USD"
    frame = pyogrio.read_dataframe(sample.package, layer="measuring_walks")
    listed = [tr.xpath("td")[0].text_content().split(", ") for tr in walks.xpath("tbody/tr")]
    assert listed == [ids.split("; ") for ids in frame.ids]
    assert [tr.xpath("th")[0].text for tr in first.xpath("tbody/tr")][:3] == (
        layer(sample).set_index("measure_rank").hydrant_id[[1, 2, 3]].tolist()
    )


def test_the_terminal_tells_it_within_80_columns(sample: Sample) -> None:
    text = summary_text(sample.result.summary)
    part = text[text.index("What would settle it") :].split("\n\n")[0].splitlines()
    assert len(part) == 1 + len(record(sample)["settle"])
    assert all(len(line) <= 80 for line in part)


def test_without_costs_the_risk_is_not_told_in_money(tmp_path: Path) -> None:
    result = run(tiny_plan(tmp_path, _unmeasured(30), after=lambda x, y: 100 + 0.004 * x + 0.002 * y))
    assert all(row["at_risk"] is None for row in result.summary["settle"])
    page = (tmp_path / "out" / "report.html").read_text(encoding="utf-8")
    assert "in wrong lengths avoided: no cost is known" in page


def test_where_all_is_decided_there_is_nothing_to_settle(tmp_path: Path) -> None:
    result = compute(tiny_plan(tmp_path, three()))
    assert "What would settle it" not in summary_text(result.summary)


def test_of_very_many_hydrants_some_stand_for_all(tmp_path: Path) -> None:
    whole = compute(tiny_plan(tmp_path, _unmeasured(2000), after=lambda x, y: 100 + 0.004 * x + 0.002 * y))
    many = compute(tiny_plan(tmp_path, _unmeasured(7001), after=lambda x, y: 100 + 0.004 * x + 0.002 * y))
    assert many.assessment.prospect.reckoned < 2001 < many.summary["settle"][0]["hydrants"]
    for a, b in zip(whole.summary["settle"][:4], many.summary["settle"][:4], strict=True):
        assert b["decided"] == pytest.approx(a["decided"], abs=0.03)
        assert b["wrong"] / b["hydrants"] == pytest.approx(a["wrong"] / a["hydrants"], abs=0.02)


def _unmeasured(count: int) -> gpd.GeoDataFrame:
    rng = np.random.default_rng(4)
    places = [tuple(p) for p in rng.uniform(0, 100, (count, 2)).round(2)]
    return hydrants({"asset_id": [f"H-{k}" for k in range(count)], "flange_in": [None] * count}, places)


def test_costs_of_nothing_rank_by_wrong_lengths_as_where_no_cost_is_known(tmp_path: Path) -> None:
    def ranked(**settle: Any) -> list[float]:
        plan = tiny_plan(tmp_path, _unmeasured(30), after=lambda x, y: 100 + 0.004 * x + 0.002 * y, settle=settle)
        return compute(plan).hydrants["measure_rank"].fillna(0).tolist()

    assert ranked(kit=0.0, return_trip=0.0) == ranked()
    assert ranked() != sorted(ranked())
