"""The sample project: what the repository holds is what `starter` writes, small, and shows every action."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pyogrio
import pytest
import rasterio
from pandas.testing import assert_frame_equal

from gradecheck import Action, OutputError, Plan, compute, write_starter

SAMPLE = Path(__file__).resolve().parents[1] / "sample_data"
RASTERS = ("design.tif", "existing/east.tif", "existing/west.tif")


@pytest.fixture(scope="module")
def written(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("starter") / "new"
    write_starter(folder)
    return folder


def test_the_same_files_are_written_and_no_more(written: Path) -> None:
    def files(folder: Path) -> set[str]:
        found = {p.relative_to(folder).as_posix() for p in folder.rglob("*") if p.is_file()}
        return {name for name in found if not name.startswith("out")}

    assert files(written) == files(SAMPLE)
    assert sum((SAMPLE / name).stat().st_size for name in files(SAMPLE)) < 3_000_000


TEXTS = (
    "plan.toml",
    "extensions.toml",
    "yarrow.toml",
    "yarrow_section.toml",
    "yarrow.xml",
    "bramble.toml",
    "quince.toml",
    "quince.dxf",
    "asbuilt.csv",
    "measurements_done.csv",
)


@pytest.mark.parametrize("name", TEXTS)
def test_texts_are_the_same(written: Path, name: str) -> None:
    assert (written / name).read_bytes() == (SAMPLE / name).read_bytes()


@pytest.mark.parametrize("name", RASTERS)
def test_rasters_hold_the_same_numbers_in_the_same_place(written: Path, name: str) -> None:
    with rasterio.open(written / name) as new, rasterio.open(SAMPLE / name) as kept:
        assert new.profile == kept.profile
        assert new.units == kept.units == ("ft",)
        # Another processor's sine may round a hundredth of a foot the other way.
        assert np.abs(new.read(1) - kept.read(1)).max() <= 0.011


@pytest.mark.parametrize(
    ("file", "layer"),
    [
        ("hydrants.gpkg", "hydrants"),
        ("paving.gpkg", "paving"),
        ("yarrow_edges.gpkg", "pavement"),
        ("bramble.gpkg", "before"),
        ("bramble.gpkg", "after"),
    ],
)
def test_layers_hold_the_same_rows(written: Path, file: str, layer: str) -> None:
    new, kept = (pyogrio.read_dataframe(folder / file, layer=layer) for folder in (written, SAMPLE))
    assert_frame_equal(new.drop(columns="geometry"), kept.drop(columns="geometry"), rtol=1e-5)
    assert new.crs == kept.crs
    assert new.geometry.geom_equals_exact(kept.geometry, 0.002).equals(kept.geometry.notna())


def test_every_action_but_relocate_occurs_and_some_rows_are_bad() -> None:
    result = compute(Plan.load(SAMPLE / "plan.toml"))
    assert set(result.hydrants.action) == {a.name for a in Action} - {"relocate"}
    reasons = " ".join(result.rejected.reason)
    for word in ("no geometry", "area of use", "repeats the id and place"):
        assert word in reasons
    behind = result.hydrants[result.hydrants.after_source == "the design stops short of here"]
    assert len(behind) >= 3
    assert set(behind.action) == {"no_elevation"}


def test_the_second_job_shows_every_kind_of_source_and_relocates_who_is_in_the_way() -> None:
    result = compute(Plan.load(SAMPLE / "yarrow.toml"))
    sources = " | ".join(result.hydrants.after_source)
    for words in ("yarrow.xml: Yarrow and Bramble", "Yarrow Street 0+", "on the slope to the existing", "unchanged"):
        assert words in sources
    assert {"keep", "extend", "on_site", "measure", "relocate"} <= set(result.hydrants.action)
    moved = result.hydrants[result.hydrants.action == "relocate"]
    assert moved.reason.str.contains("the new pavement").all()
    assert (result.hydrants.cautions.fillna("").str.contains("setback_doubt")).any()


def test_the_third_job_carries_the_change_of_profiles_alone() -> None:
    result = compute(Plan.load(SAMPLE / "bramble.toml"))
    assert result.hydrants.after_source.str.contains("profile's change carried").all()
    assert {"keep", "extend"} <= set(result.hydrants.action)


def test_the_fourth_job_is_a_drawing() -> None:
    result = compute(Plan.load(SAMPLE / "quince.toml"))
    assert set(result.hydrants.after_source) == {"quince.dxf: faces"}
    assert {"keep", "extend"} & set(result.hydrants.action)


def test_a_folder_with_something_in_it_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.txt").write_text("mine", encoding="utf-8")
    with pytest.raises(OutputError, match="not empty"):
        write_starter(tmp_path)
    assert [p.name for p in tmp_path.iterdir()] == ["mine.txt"]
