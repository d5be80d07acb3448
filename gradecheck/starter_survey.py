"""After the sample's first job: an invented survey as built, and the form that its crews filled in."""

from __future__ import annotations

import csv
from collections.abc import Callable, Iterable, Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np

from gradecheck.formats.field_rows import COLUMNS
from gradecheck.probability import Floats

_OFF = {"QH-0013": 0.27, "QH-0004": -0.05}
"""Feet that the ground was built off the design, where by more than a few hundredths."""
_NOT_SURVEYED = ("QH-0022",)
_FLANGES = {"QH-0005": 921.86, "QH-0023": 930.19, "QH-0032": 936.25}
"""Feet: flanges surveyed as built."""
_UNITS = ("", "YYYY-MM-DD", "in", "ft", "in", "in", "in", "", "yes/no", "yes/no", "YYYY-MM-DD hh:mm",
          "YYYY-MM-DD hh:mm", "")  # fmt: skip
# Id, day of May 2027, clearance measured, length put in, part.
_DONE: tuple[tuple[str, int, str, str, str], ...] = (
    ("QH-0002", 24, "3.25", "", ""),
    ("QH-0003", 24, "1.5", "", ""),
    ("QH-0005", 11, "", "6", "QA-06"),
    ("QH-0006", 11, "5.5", "6", "QA-06"),
    ("QH-0008", 11, "5.25", "6", "QA-06"),
    ("QH-0010", 12, "3.5", "6", "QA-06"),
    ("row-11", 12, "", "6", "QA-06"),
    ("QH-0012", 12, "", "6", "QA-06"),
    ("QH-0013", 12, "", "6", "QA-06"),
    ("QH-0015", 13, "", "12", "QA-12"),
    ("QH-0016", 13, "4.25", "12", "QA-12"),
    ("QH-0017", 13, "3.5", "12", "QA-12"),
    ("QH-0018", 14, "", "18", "QA-18"),
    ("QH-0020", 14, "3.25", "12", "QA-12"),
    ("QH-0022", 14, "", "12", "QA-12"),
    ("QH-0023", 17, "", "12", "QA-12"),
    ("QH-0024", 17, "2.25", "12", "QB-12"),
    ("QH-0025", 17, "", "12", "QA-12"),
    ("QH-0026", 18, "", "12", "QA-12"),
    ("QH-0027", 18, "", "6", "QA-06"),
    ("QH-0028", 18, "", "6", "QA-06"),
    ("QH-0030", 18, "", "6", "QA-06"),
    ("QH-0030#2", 19, "", "12", "QA-12"),
    ("QH-0032", 19, "", "18", "QA-18"),
    ("QH-0033", 19, "4", "18", "QA-18"),
    ("QH-0035", 20, "", "24", "QA-24"),
    ("QH-0036", 20, "", "30", "QA-30"),
    ("QH-0037", 20, "2", "30", "QA-30"),
)
_BLANK = ("QH-0019", "QH-0021", "QH-0029", "QH-0034")
_NOT_BACK, _NOT_DRAINING = "QH-0017", "QH-0016"


def write_survey(
    folder: Path,
    hydrants: Sequence[Mapping[str, Any]],
    design: Callable[[Floats, Floats], Floats],
    place: Callable[[float, float], tuple[float, float]],
) -> None:
    """Write asbuilt.csv and measurements_done.csv.

    hydrants: of the first job, with `id` (None for none) and `at`, town metres. design: feet. place: map coordinates.
    """
    shots = [("point", "hydrant_id", "x", "y", "elevation", "what"), ("", "", "m", "m", "ft", "")]
    for n, hydrant in enumerate(hydrants):
        name, at = hydrant["id"], hydrant["at"]
        if name in _NOT_SURVEYED:
            continue
        x, y = place(at[0] + (0.0 if name else 0.4), at[1])
        built = float(design(np.array([at[0]]), np.array([at[1]]))[0]) + _OFF.get(name, ((n * 7) % 5 - 2) * 0.01)
        shots.append((str(len(shots) - 1), name or "", f"{x:.2f}", f"{y:.2f}", f"{built:.2f}", "ground"))
        if name in _FLANGES:
            shots.append((str(len(shots) - 1), name, f"{x:.2f}", f"{y:.2f}", f"{_FLANGES[name]:.2f}", "flange"))
    x, y = place(330.0, 200.0)  # on the road, near no hydrant
    shots.append((str(len(shots) - 1), "", f"{x:.2f}", f"{y:.2f}", "924.41", "ground"))
    _write(folder / "asbuilt.csv", shots)
    _write(
        folder / "measurements_done.csv", [COLUMNS, _UNITS, *map(_row, _DONE), *((name, *[""] * 12) for name in _BLANK)]
    )


def _row(done: tuple[str, int, str, str, str]) -> tuple[str, ...]:
    name, day, clearance, length, part = done
    date = f"2027-05-{day}"
    if not part:
        return (name, date, clearance, *[""] * 10)
    drain = "no" if name == _NOT_DRAINING else "yes"
    back = "" if name == _NOT_BACK else f"{date} 11:30"
    note = "18 in was what the truck had" if part == "QA-18" and name == "QH-0018" else ""
    return (name, date, clearance, "", "", length, "0", part, drain, "yes", f"{date} 08:15", back, note)


def _write(path: Path, rows: Iterable[Sequence[str]]) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        csv.writer(file).writerows(rows)
