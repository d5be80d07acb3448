"""What the tests share: the sample project, written and run once, and the library versions in the header."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from datetime import date
from importlib.metadata import version
from pathlib import Path

import pyogrio
import pytest

from gradecheck import Plan, Result, cli, run, write_starter
from tests.postgis import Server, running

TODAY = date(2027, 2, 1)
Outcome = tuple[int, str, str]
"""Exit status, standard output, standard error."""


@dataclass(frozen=True)
class Sample:
    """The sample project as run on `TODAY`: where it is, its plan, what came out and where that lies."""

    folder: Path
    plan: Plan
    result: Result
    out: Path

    @property
    def package(self) -> Path:
        """The GeoPackage."""
        return self.out / "gradecheck.gpkg"


@pytest.fixture(scope="session", autouse=True)
def _no_waiting_for_the_disk() -> None:
    """Hundreds of small GeoPackages are written: they need not survive a power cut."""
    pyogrio.set_gdal_config_options({"OGR_SQLITE_SYNCHRONOUS": "OFF"})


@pytest.fixture(scope="session")
def sample(tmp_path_factory: pytest.TempPathFactory) -> Sample:
    """The starter project, run once. Not to be changed: copy it first."""
    folder = tmp_path_factory.mktemp("sample") / "quillhaven"
    plan = Plan.load(write_starter(folder))
    return Sample(folder, plan, run(plan, today=TODAY), folder / "out")


@pytest.fixture(scope="session")
def postgis() -> Iterator[Server]:
    """A server of the tests' own."""
    with running() as server:
        yield server


def pytest_report_header() -> str:
    """Versions of the libraries that the numbers rest on."""
    import pyproj
    import rasterio

    names = ("numpy", "scipy", "shapely", "pandas", "geopandas", "pyarrow", "pydantic", "hypothesis")
    native = {
        "GDAL of rasterio": rasterio.__gdal_version__,
        "GDAL of pyogrio": pyogrio.__gdal_version_string__,
        "PROJ of pyproj": pyproj.proj_version_str,
    }
    return ", ".join(f"{name} {value}" for name, value in {**{n: version(n) for n in names}, **native}.items())


@pytest.fixture
def said(capfd: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch) -> Callable[..., Outcome]:
    """Exit status, standard output and standard error of the command, in this process."""

    def say(*arguments: object) -> Outcome:
        capfd.readouterr()
        monkeypatch.setattr(sys, "argv", ["gradecheck", *map(str, arguments)])
        with pytest.raises(SystemExit) as left:
            cli.main()
        out, error = capfd.readouterr()
        return int(str(left.value.code)), out, error

    return say
