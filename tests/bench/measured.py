"""Rows of a table of measurements: ways taken in turn, medians, ratios, the machine; as Markdown and as JSON."""

from __future__ import annotations

import json
import os
import platform
import statistics
import time
from collections.abc import Callable, Mapping
from dataclasses import asdict, dataclass, field
from datetime import date
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path
from typing import Any

VERSIONS = ("numpy", "rasterio", "pyogrio", "pyproj", "shapely", "scipy", "pyarrow", "distributed", "rasterstats",
            "rioxarray", "geoutils")  # fmt: skip


@dataclass
class Row:
    """One line: what, ours and the other's median seconds (or another unit), how they compare, what was asked for."""

    part: str
    what: str
    ours: float
    other: float | None = None
    of: str = ""
    unit: str = "s"
    asked: str = ""
    note: str = ""

    @property
    def ratio(self) -> float | None:
        """The other over ours: how many times as fast; None without another."""
        return None if self.other is None or not self.ours else self.other / self.ours


@dataclass
class Table:
    """All rows of a run."""

    short: bool
    rows: list[Row] = field(default_factory=list)

    def add(self, *rows: Row) -> None:
        """Keep rows, and show them."""
        for row in rows:
            self.rows.append(row)
            print(_line(row), flush=True)

    def write(self, folder: Path) -> None:
        """speed.md and speed.json."""
        folder.mkdir(parents=True, exist_ok=True)
        head = [
            "| part | what | ours | other | other / ours | asked for | note |",
            "| --- | --- | --- | --- | --- | --- | --- |",
        ]
        text = "\n".join([machine(), "", *head, *(_line(row) for row in self.rows)])
        (folder / "speed.md").write_text(text + "\n", encoding="utf-8")
        content = {"machine": machine(), "day": date.today().isoformat(), "short": self.short,
                   "versions": versions(), "rows": [{**asdict(r), "ratio": r.ratio} for r in self.rows]}  # fmt: skip
        (folder / "speed.json").write_text(json.dumps(content, indent=1), encoding="utf-8")


def _line(row: Row) -> str:
    other = "" if row.other is None else f"{row.other:.3g} {row.unit} ({row.of})"
    ratio = "" if row.ratio is None else f"{row.ratio:.2f}"
    return f"| {row.part} | {row.what} | {row.ours:.3g} {row.unit} | {other} | {ratio} | {row.asked} | {row.note} |"


def in_turn(ways: Mapping[str, Callable[[], Any]], times: int) -> dict[str, float]:
    """Median seconds of each way, all taken in turn, `times` times over, after one round that is not counted."""
    found: dict[str, list[float]] = {name: [] for name in ways}
    for turn in range(times + 1):
        for name, way in ways.items():
            started = time.perf_counter()
            way()
            if turn:
                found[name].append(time.perf_counter() - started)
    return {name: statistics.median(seconds) for name, seconds in found.items()}


def versions() -> dict[str, str]:
    """Of the libraries that are measured, as far as they are here."""
    found = {"python": platform.python_version()}
    for name in VERSIONS:
        try:
            found[name] = version(name)
        except PackageNotFoundError:
            continue
    return found


def machine() -> str:
    """What it was measured on."""
    cores = len(os.sched_getaffinity(0))
    said = Path("/proc/cpuinfo").read_text(encoding="utf-8") if Path("/proc/cpuinfo").exists() else ""
    model = next((line.partition(":")[2].strip() for line in said.splitlines() if line.startswith("model name")), "")
    libraries = ", ".join(f"{name} {number}" for name, number in versions().items())
    return f"{cores} cores, {model or platform.machine()}; {libraries}"
