"""Design files and profile lines as ground: read by kind, settled in units and reference systems."""

from __future__ import annotations

from importlib import import_module
from pathlib import Path

from gradecheck.designs.parts import DesignFile, Reading

_READERS = {"landxml": "landxml", "dxf": "dxf", "profile": "lines"}


def read_design(reading: Reading, path: Path, shown: str) -> DesignFile:
    """One file of a source of the plan. Raises InputError with its findings."""
    # Loaded when first needed: the library that reads drawings takes long to start.
    reader = import_module(f"gradecheck.designs.{_READERS[reading.source.kind]}")
    found: DesignFile = reader.read(reading, path, shown)
    return found
