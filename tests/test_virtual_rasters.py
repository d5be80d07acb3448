"""Where rasters that name others may lead: below their own folder and the plan's, and nowhere else."""

from __future__ import annotations

import os
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import rasterio

from gradecheck import Plan
from gradecheck.grounds import reach
from gradecheck.surfaces import blocks, remote, virtual
from gradecheck.surfaces.blocks import _settings
from gradecheck.surfaces.tiles import open_tile
from tests.corpus.ground_files import virtual as words
from tests.projects import plan_values, write_ground
from tests.rasters import join, tile


@pytest.fixture
def place(tmp_path: Path) -> Path:
    """A folder with a raster, beside another with one."""
    for name in ("job", "elsewhere"):
        (tmp_path / name).mkdir()
        write_ground(tmp_path / name / "leaf.tif", 100.0)
    return tmp_path / "job"


def told(place: Path, name: str, *within: Path, relative: int = 1, more: str = "", **options: Any) -> str:
    """What stands in the way of a virtual raster that names one source; empty where nothing does."""
    path = place / "a.vrt"
    path.write_text(words(name, relative=relative, more=more, **options), encoding="utf-8")
    found, findings, _ = open_tile(path, path.name, "ft", None, None, within=within)
    assert (found is None) == bool(findings)
    return " ".join(map(str, findings))


def test_what_lies_below_its_own_folder_is_read(place: Path) -> None:
    (place / "tiles").mkdir()
    write_ground(place / "tiles" / "b.tif", 101.0)
    assert told(place, "leaf.tif") == ""
    assert told(place, "tiles/b.tif") == ""
    assert told(place, "tiles/../leaf.tif") == ""
    assert told(place, str(place / "tiles" / "b.tif"), relative=0) == ""


@pytest.mark.parametrize("name", ["../elsewhere/leaf.tif", "tiles/../../elsewhere/leaf.tif", "{away}/leaf.tif"])
def test_what_lies_elsewhere_is_refused_by_name_until_the_plan_names_its_folder(place: Path, name: str) -> None:
    away = place.parent / "elsewhere"
    (place / "tiles").mkdir()
    name = name.format(away=away)
    said = told(place, name)
    assert f"a.vrt: leads out of its folder and those that the plan names: {name} -> " in said
    assert "name their folder in the plan" in said
    assert told(place, name, away) == ""


def test_a_folder_whose_name_only_begins_alike_is_another(place: Path) -> None:
    (place.parent / "job2").mkdir()
    write_ground(place.parent / "job2" / "leaf.tif", 100.0)
    assert "leads out" in told(place, "../job2/leaf.tif")


def test_a_whole_disk_is_no_folder_that_a_plan_names(place: Path) -> None:
    assert virtual.folders([Path(place.anchor), place]) == (os.path.realpath(place),)
    assert "leads out" in told(place, "../elsewhere/leaf.tif", Path(place.anchor))


def test_a_link_leads_where_it_leads(place: Path) -> None:
    (place / "link.tif").symlink_to(place.parent / "elsewhere" / "leaf.tif")
    (place / "tiles").symlink_to(place.parent / "elsewhere", target_is_directory=True)
    away = os.path.realpath(place.parent / "elsewhere" / "leaf.tif")
    assert f"link.tif, a link to {away}" in told(place, "link.tif")
    assert "leads out" in told(place, "tiles/leaf.tif")
    assert told(place, "link.tif", place.parent / "elsewhere") == ""


def test_a_virtual_raster_that_is_a_link_is_at_home_where_it_lies(place: Path) -> None:
    away = place.parent / "elsewhere"
    (away / "all.vrt").write_text(words("leaf.tif"), encoding="utf-8")
    (place / "all.vrt").symlink_to(away / "all.vrt")
    assert open_tile(place / "all.vrt", "all.vrt", "ft", None, None)[1] == []


def test_names_from_the_working_folder_are_told_too(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place.parent)
    assert told(place, "job/leaf.tif", relative=0) == ""
    assert "leads out" in told(place, "elsewhere/leaf.tif", relative=0)


DISGUISES = [
    "vrt://{file}?bands=1",
    "vrt://vrt://{file}",
    "GTIFF_DIR:1:{file}",
    'NETCDF:"{file}":z',
    "/vsisubfile/0_100,{file}",
    "/vsisparse/{file}",
    "/vsicached?file={file}",
    "/vsigzip/{file}",
    "/vsizip/{file}/a.tif",
    "/vsizip//vsigzip/{file}/a.tif",
    "/vsizip/{{{file}}}/a.tif",
    "/vsicurl/file://{file}",
]


@pytest.mark.parametrize("name", DISGUISES)
@pytest.mark.parametrize("relative", [0, 1])
def test_no_disguise_of_a_name_leads_elsewhere(place: Path, name: str, relative: int) -> None:
    file = place.parent / "elsewhere" / "leaf.tif"
    assert "leads out" in told(place, name.format(file=file), relative=relative)


def test_small_letters_are_as_good_to_gdal_as_others(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(place.parent / "elsewhere")
    (place.parent / "elsewhere" / "leaf.tif").rename(place.parent / "elsewhere" / "leaf")
    path = place / "a.vrt"
    path.write_text(words("leaf", relative=0).replace("SourceFilename", "sourcefilename"), encoding="utf-8")
    assert "leads out" in str(open_tile(path, "a.vrt", "ft", None, None)[1][0])


def test_what_bears_a_rasters_name_beside_it_may_be_a_link(place: Path) -> None:
    away = place.parent / "elsewhere" / "placed.tfw"
    away.write_text("5\n0\n0\n-5\n500000\n4600000\n", encoding="ascii")
    (place / "leaf.tfw").symlink_to(away)
    assert open_tile(place / "leaf.tif", "leaf.tif", "ft", None, None)[1] == []


def test_a_chain_of_virtual_rasters_is_followed_to_its_end(place: Path) -> None:
    # Longer than any that people make: a chain that is looked at only so deep hides its end.
    for i in range(40):
        leads = "../elsewhere/leaf.tif" if i == 39 else f"{i + 1}.tif"
        (place / f"{i}.tif").write_text(words(leads), encoding="utf-8")
    assert "../elsewhere/leaf.tif (in 39.tif)" in told(place, "0.tif")


def test_what_any_format_is_made_of_is_held_against_the_same_folders(place: Path) -> None:
    away = str(place.parent / "elsewhere" / "cells.bin")
    assert virtual.strays([str(place / "a.lbl")], place / "a.lbl", "a.lbl", []) == []
    assert "leads out" in str(virtual.strays([str(place / "a.lbl"), away], place / "a.lbl", "a.lbl", [])[0])
    assert virtual.strays([away], place / "a.lbl", "a.lbl", [place.parent / "elsewhere"]) == []
    said = virtual.strays(["/vsicurl/https://h/a.vrt", away], "/vsicurl/https://h/a.vrt", "https://h/a.vrt", [])
    assert "leads from a network to files of this machine" in str(said[0])


def test_the_folders_of_a_plan_are_those_of_its_grounds(tmp_path: Path) -> None:
    (tmp_path / "old").mkdir()
    rasters = {"raster": ["old", "../town/tiles/**/*.tif", "https://example.org/a.tif"]}
    plan = Plan.parse(plan_values(before=rasters), tmp_path)
    assert reach(plan, plan.after) == [tmp_path, tmp_path / "old", tmp_path / "../town/tiles"]


@pytest.mark.parametrize("declared", ["<!DOCTYPE V>", '<!doctype V [<!ENTITY x SYSTEM "file:///etc/passwd">]>'])
def test_a_document_type_is_refused_before_any_parser_sees_it(
    place: Path, declared: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(virtual, "_Sift", lambda: pytest.fail("it was parsed"))
    monkeypatch.setattr(rasterio, "open", lambda *a, **k: pytest.fail("it was opened"))
    path = place / "a.vrt"
    path.write_text(declared + words("leaf.tif"), encoding="utf-8")
    assert "document type declaration" in str(open_tile(path, "a.vrt", "ft", None, None)[1][0])


def program(made: Path) -> str:
    """A pixel function that leaves a trace."""
    code = f'open({str(made)!r}, "w").write("ran")\ndef f(a, out, *more, **named):\n    out[:] = 7\n'
    return (
        "<PixelFunctionType>f</PixelFunctionType><PixelFunctionLanguage>Python</PixelFunctionLanguage>"
        f"<PixelFunctionCode><![CDATA[{code}]]></PixelFunctionCode>"
    )


def derived(place: Path, made: Path) -> Path:
    """A virtual raster with that function."""
    path = place / "a.vrt"
    text = words("leaf.tif", more=program(made)).replace('band="1"', 'band="1" subClass="VRTDerivedRasterBand"')
    path.write_text(text, encoding="utf-8")
    return path


def test_a_program_in_a_virtual_raster_is_refused_in_words(place: Path) -> None:
    path = derived(place, place / "ran.txt")
    assert "a function in Python, which is not run" in str(open_tile(path, "a.vrt", "ft", None, None)[1][0])
    assert not (place / "ran.txt").exists()


def test_gdal_runs_none_either_though_the_environment_lets_it(place: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    # What stands in the way above is taken away here: the settings alone must hold.
    monkeypatch.setenv("GDAL_VRT_ENABLE_PYTHON", "YES")
    monkeypatch.setenv("GDAL_VRT_PYTHON_TRUSTED_MODULES", "*")
    monkeypatch.setattr(virtual, "follow", lambda *a: virtual.Leads())
    path = derived(place, place / "ran.txt")
    found, _, _ = open_tile(path, "a.vrt", "ft", None, None)
    if found is not None:
        heights = join([found]).heights(np.array([500_011.0]), np.array([4_600_023.0]))
        assert np.isnan(heights.z).all()
    assert not (place / "ran.txt").exists()


@pytest.mark.parametrize("inside", [True, False])
def test_every_setting_to_open_or_read_with_forbids_programs(
    place: Path, inside: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("GDAL_VRT_ENABLE_PYTHON", "YES")
    here = tile(place / "leaf.tif", unit="ft")
    for settings in (remote.NOWHERE, remote.options(), remote.reading(inside), _settings([here])):
        assert settings["GDAL_VRT_ENABLE_PYTHON"] == "NO"
        assert settings["GDAL_VRT_PYTHON_TRUSTED_MODULES"] == ""
    blocks.clear()
