"""The plan file, judged against the values and words of the published plan format, written out here by hand."""

from __future__ import annotations

import re
import tomllib
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from pydantic import ValidationError

from gradecheck import Length, Plan, PlanError
from gradecheck.plan import (
    CatalogSource,
    HydrantSource,
    MeasurementSource,
    OutputPlace,
    PavingSource,
    Project,
    SettleSource,
    StableSource,
)
from gradecheck.policy import Policy
from gradecheck.sources import DesignSource
from tests.projects import toml_text

# The plan format's own block with every default that it shows; "raster" stands for the sources of ground.
DEFAULTS = """
[project]
work_days_before = 14
allow_remote = false
[hydrants]
path = "hydrants.gpkg"
position_sd = "1 m"
clearance = { column = "flange_in", unit = "in", sd = "0.25 in" }
flange_elevation = { column = "flange_z", unit = "ft", sd = "0.02 ft" }
[paving]
path = "paving.gpkg"
job = "job_id"
reach = "15 m"
[before]
raster = ["existing/*.tif"]
sd = "0.33 ft"
sd_shared = "0 ft"
[after]
raster = "design.tif"
sd = "0.05 ft"
sd_shared = "0 ft"
beyond = "unchanged"
unchanged_past = "30 ft"
correlation = 0.0
[policy]
flange_point = "bottom"
clearance_min = "2 in"
clearance_target = "4 in"
clearance_max = "6 in"
dressing = "1 in"
clearance_spread = "1 in"
outlet_min = "18 in"
outlet_max = "36 in"
outlet_from = "ground"
fill_review = "2 ft"
cut_review = "1 ft"
branch_diameter = "6.9 in"
max_extensions = 1
confidence = 0.9
service_level = 0.9
[settle]
surface_sd = ["0.1 ft", "0.05 ft", "0.02 ft"]
worst = 20
walk = "150 m"
[output]
dir = "out"
unit = "in"
schema = "gradecheck"
report_rows = 100000
sheets = ["extend", "shorten", "measure", "on_site", "keep"]
geoparquet = false
"""

# What the format marks as not set by default, with the values of its example.
NOT_SET = """
[project]
name = "Sorrel Street rebuild"
starts = 2027-05-03
crs = "EPSG:32615"
[hydrants]
layer = "hydrants"
id = "asset_id"
where = "status = 'ACT'"
family = "family"
street = "street"
opens = "opens"
extension_fitted = { column = "ext_in", unit = "in" }
bury = { column = "bury_ft", unit = "ft" }
outlet_above_flange = "18 in"
[paving]
starts = "start_date"
[before]
unit = "ft"
vertical = "EPSG:6360"
[after]
limits = "limits.gpkg"
[policy]
cover_min = "4 ft"
max_extension = "60 in"
[catalog]
path = "extensions.toml"
[output]
postgis = "postgresql:///town"
"""

LEAST = """
[hydrants]
path = "hydrants.gpkg"
clearance = { column = "flange_in", unit = "in" }
flange_elevation = { column = "flange_z", unit = "ft" }
[paving]
path = "paving.gpkg"
job = "job_id"
[before]
raster = ["existing/*.tif"]
[after]
raster = "design.tif"
"""

SMALL: dict[str, Any] = {"hydrants": {"path": "h.gpkg"}, "before": {"raster": "b.tif"}, "after": {"raster": "a.tif"}}

LENGTH_KEYS = (
    "hydrants.position_sd",
    "hydrants.extension_fitted",
    "hydrants.outlet_above_flange",
    "hydrants.clearance.sd",
    "hydrants.flange_elevation.sd",
    "paving.reach",
    "before.sd",
    "before.sd_shared",
    "after.sd",
    "after.sd_shared",
    "after.unchanged_past",
    *(
        f"policy.{name}"
        for name in (
            *("clearance_min", "clearance_target", "clearance_max", "dressing", "clearance_spread"),
            *("outlet_min", "outlet_max", "fill_review", "cut_review", "cover_min", "branch_diameter", "max_extension"),
        )
    ),
)


def merged(*blocks: str) -> dict[str, Any]:
    """TOML blocks laid over one another, table by table."""
    out: dict[str, Any] = {}
    for block in blocks:
        for name, section in tomllib.loads(block).items():
            out[name] = {**out.get(name, {}), **section}
    return out


def leaves(tables: dict[str, Any], path: str = "") -> dict[str, Any]:
    """Every value by its key path."""
    out: dict[str, Any] = {}
    for key, value in tables.items():
        here = f"{path}.{key}" if path else key
        out.update(leaves(value, here) if isinstance(value, dict) else {here: value})
    return out


def with_value(path: str, value: object) -> dict[str, Any]:
    """A whole plan with one key changed."""
    tables = merged(LEAST)
    at = tables
    *parents, key = path.split(".")
    for parent in parents:
        at = at.setdefault(parent, {})
    at[key] = value
    return tables


def findings(tables: dict[str, Any]) -> list[tuple[str, str, str]]:
    with pytest.raises(PlanError) as caught:
        Plan.parse(tables)
    return [(f.where, f.what, f.mend) for f in caught.value.findings]


@pytest.mark.parametrize("path", sorted(leaves(tomllib.loads(DEFAULTS))))
def test_default_is_the_one_that_the_format_states(path: str) -> None:
    stated = leaves(tomllib.loads(DEFAULTS))[path]
    got = leaves(Plan.parse(tomllib.loads(LEAST)).as_written())[path]
    if path.endswith("raster"):
        stated = [stated] if isinstance(stated, str) else stated
    assert got == stated


def test_nothing_else_is_set_by_default() -> None:
    assert set(leaves(Plan.parse(tomllib.loads(LEAST)).as_written())) == set(leaves(tomllib.loads(DEFAULTS)))


def test_every_key_of_the_format_is_read_as_written() -> None:
    tables = merged(DEFAULTS, NOT_SET)
    written = leaves(Plan.parse(tables).as_written())
    wanted = leaves(tables) | {"after.raster": ["design.tif"], "project.starts": "2027-05-03"}
    assert written == wanted


@pytest.mark.parametrize("path", LENGTH_KEYS)
def test_a_length_without_its_unit_is_refused(path: str) -> None:
    for bare in (2, 2.5, "2", True):
        found = findings(with_value(path, bare))
        assert [f[0] for f in found] == [path]
        assert '"2 in"' in found[0][1]


@pytest.mark.parametrize("path", LENGTH_KEYS)
def test_a_length_in_an_unknown_unit_is_refused_with_the_known_ones(path: str) -> None:
    found = findings(with_value(path, "2 furlongs"))
    assert [f[0] for f in found] == [path]
    assert "'furlongs'" in found[0][1]
    assert "in, ft, ftUS, mm, cm, m" in found[0][1]


@pytest.mark.parametrize("path", LENGTH_KEYS)
def test_a_negative_length_is_refused(path: str) -> None:
    assert [f[0] for f in findings(with_value(path, "-2 in"))] == [path]


# 1 in = 25.4 mm and 1 ft = 304.8 mm by definition; 1 ftUS = 1200/3937 m.
@pytest.mark.parametrize(
    ("text", "metres"),
    [
        ("2 in", 0.0508),
        ("0.05 ft", 0.01524),
        ("150 mm", 0.15),
        ("1.5 m", 1.5),
        ("0.1 ftUS", 120 / 3937),
        ("7 cm", 0.07),
    ],
)
def test_lengths_in_every_unit_of_the_format_are_read(text: str, metres: float) -> None:
    plan = Plan.parse(with_value("policy.dressing", text))
    assert plan.policy.dressing.metres == pytest.approx(metres, rel=1e-12)
    assert str(plan.policy.dressing) == text


NEAREST = [
    ("projct", {"name": "x"}, "project"),
    ("catalogue", {"path": "x"}, "catalog"),
    ("hydrants.positon_sd", "1 m", "position_sd"),
    ("hydrants.clearance.colum", "c", "column"),
    ("hydrants.flange_elevation.uint", "ft", "unit"),
    ("paving.stats", "s", "starts"),
    ("before.sd_share", "0 ft", "sd_shared"),
    ("after.unchanged_passed", "30 ft", "unchanged_past"),
    ("policy.clearence_min", "2 in", "clearance_min"),
    ("policy.Confidence", 0.9, "confidence"),
    ("catalog.pth", "x", "path"),
    ("output.units", "in", "unit"),
]


@pytest.mark.parametrize(("path", "value", "meant"), NEAREST)
def test_a_mistyped_key_is_named_with_its_path_and_the_nearest_known_key(path: str, value: object, meant: str) -> None:
    assert findings(with_value(path, value)) == [(path, "unknown key", f"did you mean '{meant}'?")]


def test_a_key_like_no_other_is_answered_with_all_that_are_known() -> None:
    assert findings(with_value("output.zzz", 1)) == [
        (
            "output.zzz",
            "unknown key",
            "known here: basemap, basemap_credit, dir, geoparquet, paper, postgis, report_rows, schema, sheets, unit",
        )
    ]


MISTAKES = [
    ("hydrants", "h.gpkg", "a table of keys"),
    ("policy", [], "a table of keys"),
    ("hydrants.path", 3, "text in quotes"),
    ("hydrants.layer", 3, "text in quotes"),
    ("hydrants.where", ["a"], "text in quotes"),
    ("hydrants.id", 7, "text in quotes"),
    ("hydrants.bury", "5 ft", "a table of keys"),
    ("hydrants.clearance", "flange_in", "a table of keys"),
    ("hydrants.clearance.unit", "furlong", "'furlong' is not one of 'in', 'ft', 'ftUS', 'mm', 'cm', 'm'"),
    ("before.unit", "furlong", "'furlong' is not one of"),
    ("before.vertical", 5703, "text in quotes"),
    ("after.beyond", "gone", "'gone' is not one of 'unchanged', 'missing'"),
    ("after.limits", 3, "text in quotes"),
    ("output.unit", "ftUS", "'ftUS' is not one of 'in', 'ft', 'mm', 'cm', 'm'"),
    ("policy.flange_point", "middle", "'middle' is not one of 'bottom', 'centre', 'top'"),
    ("policy.outlet_from", "grade", "'grade' is not one of 'ground', 'flange'"),
    ("policy.confidence", 0.49, "at least 0.5"),
    ("policy.confidence", 1.0, "below 1"),
    ("policy.confidence", float("nan"), "below 1"),
    ("policy.confidence", "high", "a number"),
    ("policy.service_level", 0.0, "above 0"),
    ("policy.service_level", 1.0, "below 1"),
    ("policy.max_extensions", 0, "at least 1"),
    ("policy.max_extensions", 1.5, "a whole number"),
    ("policy.cover_min", "0 ft", "above 0"),
    ("policy.branch_diameter", "0 in", "above 0"),
    ("project.starts", "tomorrow", "a date such as 2027-05-03"),
    ("project.work_days_before", -1, "at least 0"),
    ("project.work_days_before", "two weeks", "a whole number"),
    ("project.crs", 32615, "text in quotes"),
    ("before.raster", [], "a path, a pattern, a folder or a list of them"),
    ("after.raster", ["a.tif", 3], "a path, a pattern, a folder or a list of them"),
]


@pytest.mark.parametrize(("path", "value", "words"), MISTAKES)
def test_a_wrong_value_is_told_with_its_path_in_plain_words(path: str, value: object, words: str) -> None:
    found = findings(with_value(path, value))
    assert [f[0] for f in found] == [path]
    assert words in found[0][1]


@pytest.mark.parametrize(("path", "value"), [(p, v) for p, v, _ in MISTAKES] + [("paving.starts", date(2027, 5, 3))])
def test_no_message_speaks_of_the_program_behind_it(path: str, value: object) -> None:
    text = " ".join(" ".join(f) for f in findings(with_value(path, value)))
    assert not re.search(r"pydantic|validation|input should|type=|https?:|datetime\.|Traceback", text, re.IGNORECASE)


@pytest.mark.parametrize("path", ["policy.max_extensions", "policy.confidence", "project.work_days_before"])
def test_true_is_no_number(path: str) -> None:
    assert [f[0] for f in findings(with_value(path, True))] == [path]


@pytest.mark.parametrize(
    ("policy", "key"),
    [
        ({"clearance_min": "5 in"}, "clearance_min"),
        ({"clearance_target": "7 in"}, "clearance_target"),
        ({"clearance_min": "4 in", "clearance_max": "4 in"}, "clearance_max"),
        ({"outlet_min": "36 in"}, "outlet_min"),
    ],
)
def test_a_window_that_does_not_rise_is_refused(policy: dict[str, str], key: str) -> None:
    ((where, what, _),) = findings({**SMALL, "policy": policy})
    assert where.startswith("policy")
    assert key in what


def test_what_is_needed_and_missing_is_named() -> None:
    assert [f[0] for f in findings({})] == ["hydrants", "after"]
    assert [f[0] for f in findings({**SMALL, "paving": {}})] == ["paving.path", "paving.job"]
    assert [f[0] for f in findings(with_value("hydrants.bury", {}))] == ["hydrants.bury.column", "hydrants.bury.unit"]


def test_existing_ground_is_needed_unless_flanges_are_surveyed() -> None:
    tables = {k: SMALL[k] for k in ("hydrants", "after")}
    ((_, what, _),) = findings(tables)
    assert "[before]" in what
    surveyed = {"path": "h.gpkg", "flange_elevation": {"column": "z", "unit": "ft"}}
    assert Plan.parse({**tables, "hydrants": surveyed}).before is None


def test_mistakes_in_every_section_are_told_at_once() -> None:
    tables = {
        "projct": {},
        "hydrants": {"path": 3, "position_sd": 1, "clearance": {"colum": "c", "unit": "furlong"}},
        "paving": {"path": "p.gpkg"},
        "before": {"raster": "b.tif", "sd": "0.3"},
        "after": {"raster": "a.tif", "beyond": "gone"},
        "policy": {"confidence": 2, "dresing": "1 in"},
        "output": {"unit": "yd"},
    }
    assert sorted(f[0] for f in findings(tables)) == [
        "after.beyond",
        "before.sd",
        "hydrants.clearance.colum",
        "hydrants.clearance.column",
        "hydrants.clearance.unit",
        "hydrants.path",
        "hydrants.position_sd",
        "output.unit",
        "paving.job",
        "policy.confidence",
        "policy.dresing",
        "projct",
    ]


def test_a_missing_source_does_not_hide_the_other_mistakes_of_its_section() -> None:
    found = findings({**SMALL, "before": {"rastr": "b.tif", "sd": 3}})
    assert ("before.rastr", "unknown key", "did you mean 'raster'?") in found
    assert "before.sd" in [f[0] for f in found]


def test_a_window_that_does_not_rise_is_told_beside_the_other_mistakes_of_the_policy() -> None:
    text = str(findings({**SMALL, "policy": {"clearance_min": "8 in", "outlet_min": "40 in", "dresing": "1 in"}}))
    assert all(word in text for word in ("clearance_min", "outlet_min", "dresing"))


def test_missing_existing_ground_is_told_beside_the_other_mistakes() -> None:
    text = str(findings({"hydrants": SMALL["hydrants"], "after": {**SMALL["after"], "beyond": "gone"}}))
    assert "[before]" in text
    assert "after.beyond" in text


@pytest.mark.parametrize("unit", ["in", "mm"])
def test_the_flags_of_a_one_off_build_the_same_plan(unit: str) -> None:
    flags = Plan.one_off(
        "h.gpkg",
        ["b1.tif", "b2.tif"],
        ["a.tif"],
        out="o",
        id="asset_id",
        layer="mains",
        before_unit="ft",
        after_unit="m",
        unit=unit,
    )
    tables = {
        "hydrants": {"path": "h.gpkg", "id": "asset_id", "layer": "mains"},
        "before": {"raster": ["b1.tif", "b2.tif"], "unit": "ft"},
        "after": {"raster": "a.tif", "unit": "m"},
        "output": {"dir": "o", "unit": unit},
    }
    assert flags == Plan.parse(tables)
    assert flags.as_written() == Plan.parse(tables).as_written()


def test_a_one_off_with_nothing_more_has_the_defaults_of_a_plan() -> None:
    assert Plan.one_off("h.gpkg", ["b.tif"], ["a.tif"]).as_written() == Plan.parse(SMALL).as_written()


def test_a_plan_cannot_be_changed_once_built() -> None:
    plan = Plan.parse(SMALL)
    with pytest.raises(ValidationError):
        plan.policy.dressing = Length(9, "in")  # type: ignore[misc]
    with pytest.raises(ValidationError):
        plan.output = None  # type: ignore[misc,assignment]


def test_another_output_folder_leaves_the_first_plan_alone() -> None:
    plan = Plan.parse(SMALL, "town")
    other = plan.with_output("elsewhere")
    assert (plan.output.dir, other.output.dir) == ("out", "elsewhere")
    assert other.folder == plan.folder == Path("town")


def test_paths_are_relative_to_the_plan_file(tmp_path: Path) -> None:
    file = tmp_path / "deep" / "plan.toml"
    file.parent.mkdir()
    file.write_text(toml_text(SMALL), encoding="utf-8")
    plan = Plan.load(file)
    assert plan.resolve(plan.hydrants.path) == tmp_path / "deep" / "h.gpkg"
    assert plan.resolve(str(tmp_path / "x.gpkg")) == tmp_path / "x.gpkg"
    assert plan.file == file


@pytest.mark.parametrize("start", [b"", b"\xef\xbb\xbf"], ids=["plain", "byte-order mark"])
def test_a_plan_file_may_start_with_a_byte_order_mark(tmp_path: Path, start: bytes) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(start + toml_text(SMALL).encode())
    assert Plan.load(file) == Plan.parse(SMALL, tmp_path, file)


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"[hydrants\npath = 1", "is not TOML"),
        (b"[policy]\ndressing = 2 in\n", "line 2"),
        (b'[project]\nname = "Gr\xfcner Weg"\n', "is not UTF-8 text"),
        (bytes(range(256)), "is not UTF-8 text"),
    ],
)
def test_a_file_that_is_no_plan_is_told_with_what_and_where(tmp_path: Path, content: bytes, words: str) -> None:
    file = tmp_path / "plan.toml"
    file.write_bytes(content)
    with pytest.raises(PlanError) as caught:
        Plan.load(file)
    (finding,) = caught.value.findings
    assert words in finding.what
    assert finding.where == str(file)
    assert finding.mend


def test_a_plan_that_is_not_there_or_a_folder_is_told(tmp_path: Path) -> None:
    for path, words in ((tmp_path / "none.toml", "no such plan file"), (tmp_path, "is a folder")):
        with pytest.raises(PlanError, match=words):
            Plan.load(path)


def test_a_unit_forgotten_outside_quotes_is_answered_with_how_to_write_it(tmp_path: Path) -> None:
    file = tmp_path / "plan.toml"
    file.write_text("[policy]\ndressing = 2 in\n", encoding="utf-8")
    with pytest.raises(PlanError) as caught:
        Plan.load(file)
    assert '"2 in"' in caught.value.findings[0].mend


# The guesses that a reader must know of: each default that stands for a fact is said aloud, and none that was stated.
def test_every_default_that_stands_for_a_fact_is_listed_as_assumed() -> None:
    said = " ".join(Plan.parse(SMALL).assumed())
    for key in ("before.sd = 0.33 ft", "after.sd = 0.05 ft", "position_sd = 1 m", "extension_fitted", "2 in / 4 in"):
        assert key in said
    stated = merged(LEAST, NOT_SET, DEFAULTS)
    assert Plan.parse(stated).assumed() == []


def test_every_key_of_the_plan_is_in_the_reference_of_the_readme() -> None:
    readme = (Path(__file__).resolve().parents[1] / "README.md").read_text(encoding="utf-8")
    shown = set(re.findall(r"^(\w+) = ", readme, re.MULTILINE))
    sections = (Project, HydrantSource, PavingSource, DesignSource, Policy, CatalogSource, StableSource, SettleSource)
    for section in (*sections, MeasurementSource, OutputPlace):
        keys = {field.alias or name for name, field in section.model_fields.items()}
        assert keys - {"under"} <= shown, section.__name__


@pytest.mark.parametrize(
    ("address", "told"),
    [
        ("tiles.example.org/{z}/{x}/{y}.png", "an address such as"),
        ("ftp://example.org/{z}/{x}/{y}.png", "an address such as"),
        ("https://example.org/{z}/{x}.png", "{y} is missing"),
        ("https://example.org/{z}/{x}/{y}.png; script-src *", "an address such as"),
    ],
)
def test_a_basemap_that_is_no_address_of_tiles_is_refused(address: str, told: str) -> None:
    values = with_value("output.basemap", address)
    values["output"]["basemap_credit"] = "the town"
    ((where, what, _),) = findings(values)
    assert where == "output.basemap"
    assert told in what


def test_a_basemap_needs_the_words_that_its_owner_asks_for() -> None:
    ((where, what, _),) = findings(with_value("output.basemap", "https://example.org/{z}/{x}/{y}.png"))
    assert where == "output.basemap_credit"
    assert "whose map" in what
