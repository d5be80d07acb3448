"""Readers as functions of bytes: each ends well or with findings, whatever the bytes; seeds to begin with."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable
from pathlib import Path

from gradecheck.errors import GradecheckError
from gradecheck.formats.landxml import read_landxml
from gradecheck.formats.tables import read_catalog
from gradecheck.hydrants import read_hydrants
from gradecheck.plan import Plan
from tests.projects import plan_values

SEEDS = Path(__file__).with_name("seeds")


def plan(content: bytes, folder: Path) -> None:
    """A plan file."""
    path = folder / "plan.toml"
    path.write_bytes(content)
    Plan.load(path)


def landxml(content: bytes, folder: Path) -> None:
    """A LandXML file."""
    path = folder / "design.xml"
    path.write_bytes(content)
    read_landxml(path, "design.xml")


def table(content: bytes, folder: Path) -> None:
    """Hydrants as delimited text."""
    (folder / "hydrants.csv").write_bytes(content)
    values = plan_values("hydrants.csv")
    values["hydrants"] |= {"x": "x", "y": "y", "crs": "EPSG:32615"}
    read_hydrants(Plan.parse(values, folder))


def catalog(content: bytes, folder: Path) -> None:
    """A catalogue in TOML."""
    path = folder / "catalog.toml"
    path.write_bytes(content)
    read_catalog(path, "catalog.toml")


READERS: dict[str, Callable[[bytes, Path], None]] = {
    "plan": plan,
    "landxml": landxml,
    "table": table,
    "catalog": catalog,
}


def read(name: str, content: bytes) -> bool:
    """Whether the reader takes it; anything but a finding is raised."""
    with tempfile.TemporaryDirectory() as folder, contextlib.suppress(GradecheckError):
        READERS[name](content, Path(folder))
        return True
    return False
