"""A small invented project to start from: the town of Quillhaven, three street jobs, ready to run.

Everything is made from one seed, so that the sample in the repository and what `gradecheck starter` writes
are the same. No place, street or hydrant of it is real.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from datetime import date
from importlib.resources import files
from pathlib import Path
from typing import Any

import numpy as np
import pyarrow as pa
import pyogrio.raw
import rasterio
import shapely
from affine import Affine
from numpy.typing import NDArray

from gradecheck.errors import Finding, OutputError
from gradecheck.probability import Floats
from gradecheck.starter_roads import write_roads
from gradecheck.starter_survey import write_survey

_SEED = 20270503
_CRS = "EPSG:32615"
_EAST, _NORTH = 480_000.0, 4_650_000.0
_WIDE, _TALL = 1200.0, 800.0
_FT = 0.3048


@dataclass(frozen=True, slots=True)
class _Street:
    """A straight street from `start` to `end` (town metres); with a job where `lift` says how it is regraded.

    lift: feet of rise at so many metres along. half: metres from the centre line to the end of the design.
    """

    name: str
    start: tuple[float, float]
    end: tuple[float, float]
    job: str | None = None
    starts: date | None = None
    lift: Callable[[Floats], Floats] | None = None
    half: float = 12.0

    @property
    def length(self) -> float:
        return float(np.hypot(self.end[0] - self.start[0], self.end[1] - self.start[1]))

    def at(self, station: float, offset: float) -> tuple[float, float]:
        """Town metres of a point so far along and to the right."""
        dx, dy = (self.end[0] - self.start[0]) / self.length, (self.end[1] - self.start[1]) / self.length
        return self.start[0] + station * dx + offset * dy, self.start[1] + station * dy - offset * dx

    def near(self, at: tuple[float, float]) -> bool:
        """Whether a point lies alongside, on its design."""
        station, offset = self.along(np.array([at[0]]), np.array([at[1]]))
        return bool(0 <= station[0] <= self.length and abs(offset[0]) <= self.half)

    def along(self, x: Floats, y: Floats) -> tuple[Floats, Floats]:
        """Station and offset of town points."""
        dx, dy = (self.end[0] - self.start[0]) / self.length, (self.end[1] - self.start[1]) / self.length
        px, py = x - self.start[0], y - self.start[1]
        return px * dx + py * dy, px * dy - py * dx


def _sorrel(s: Floats) -> Floats:
    return np.interp(s, [0, 120, 300, 480, 640, 760, 900, 1000], [0.0, 0.15, 0.55, 1.0, 1.0, 0.5, 1.6, 2.8])


def _tansy(s: Floats) -> Floats:
    return np.interp(s, [0, 100, 220, 320, 420, 500], [0.0, -0.25, -0.5, -1.2, -0.5, 0.0])


def _fennel(s: Floats) -> Floats:
    return np.interp(s, [0, 150, 300, 450, 600], [0.05, 0.45, 0.6, 0.35, 0.0])


STREETS = (
    _Street("Sorrel Street", (100, 200), (1100, 200), "Q-101", date(2027, 5, 3), _sorrel),
    _Street("Tansy Lane", (400, 260), (400, 760), "Q-102", date(2027, 6, 14), _tansy),
    _Street("Fennel Street", (520, 600), (1120, 600), "Q-103", date(2027, 8, 2), _fennel, half=6.8),
    _Street("Yarrow Street", (60, 420), (1140, 420)),
    _Street("Bramble Row", (200, 60), (200, 760)),
    _Street("Quince Court", (860, 260), (860, 560)),
)


YARDS = ((250.0, 500.0, 330.0, 570.0), (650.0, 320.0, 740.0, 380.0), (950.0, 680.0, 1040.0, 740.0))
"""Yards where nothing is built, and the designer's survey has ground all the same: left, bottom, right, top."""


def ground(x: Floats, y: Floats) -> Floats:
    """Existing ground of the town, feet, at town metres."""
    return 918.0 + 0.02 * x - 0.012 * y + 2.5 * np.sin(x / 210.0) * np.cos(y / 170.0) + 0.8 * np.sin((x + 2 * y) / 95.0)


def design(x: Floats, y: Floats) -> Floats:
    """Design ground, feet, NaN where nothing is designed: lifted ground, a crowned road, a 6 in curb at 5.5 m."""
    out = np.full(np.shape(x), np.nan)
    for street in STREETS:
        if street.lift is None:
            continue
        station, offset = street.along(x, y)
        away = np.abs(offset)
        over = 70.0 if street.job == "Q-101" else 0.0  # the first design runs on past its limits of work
        inside = (station >= 0) & (station <= street.length + over) & (away <= street.half) & np.isnan(out)
        road = np.where(away < 5.5, -0.5 + 0.02 * (5.5 - away) / _FT, 0.02 * (away - 5.5) / _FT - 0.05)
        out = np.where(inside, ground(x, y) + street.lift(station) + road, out)
    return out


def surveyed(x: Floats, y: Floats) -> Floats:
    """The design with the yards as its survey found them: off by some hundredths of a foot, neighbours alike."""
    noise = np.random.default_rng(_SEED + 1)
    error = 0.035 * noise.standard_normal(x.shape) + _alike(x, y, noise)
    out = design(x, y)
    for left, bottom, right, top in YARDS:
        inside = (x >= left) & (x <= right) & (y >= bottom) & (y <= top)
        out = np.where(inside, ground(x, y) + error, out)
    return out


def _alike(x: Floats, y: Floats, noise: np.random.Generator) -> Floats:
    """An error of 0.04 ft that neighbours within some 12 m share: a sum of waves in all directions."""
    total = np.zeros(x.shape)
    for _ in range(40):
        turn, phase, length = noise.uniform(0, 2 * np.pi), noise.uniform(0, 2 * np.pi), noise.uniform(8, 40)
        total += np.cos(2 * np.pi * (x * np.cos(turn) + y * np.sin(turn)) / length + phase)
    return np.asarray(0.04 * total / np.sqrt(20))


def write_starter(folder: Path | str) -> Path:
    """Write the project into a new or empty folder; returns the plan's path. Raises OutputError."""
    target = Path(folder)
    if target.exists() and not target.is_dir():
        raise OutputError(Finding(target.as_posix(), "is a file, not a folder", "name a new folder"))
    if target.exists() and any(target.iterdir()):
        raise OutputError(Finding(target.as_posix(), "is there and not empty", "name a new folder"))
    try:
        (target / "existing").mkdir(parents=True)
    except OSError as error:
        mend = "name a folder where you may write"
        raise OutputError(Finding(target.as_posix(), f"cannot be made ({error.strerror})", mend)) from None
    rng = np.random.default_rng(_SEED)
    half = _WIDE / 2
    for name, left in (("west", 0.0), ("east", half)):
        _write_raster(target / "existing" / f"{name}.tif", ground, left, 0.0, half, _TALL, 2.0)
    _write_raster(target / "design.tif", surveyed, 80.0, 160.0, 1100.0, 620.0, 0.5)
    _write_paving(target / "paving.gpkg")
    _write_yards(target / "stable.gpkg")
    first = _write_hydrants(target / "hydrants.gpkg", rng)
    write_survey(target, first, design, _map)
    write_roads(target, ground, (_EAST, _NORTH), _CRS)
    for name in ("plan.toml", "extensions.toml", "yarrow.toml", "yarrow_section.toml", "bramble.toml", "quince.toml"):
        text = files("gradecheck").joinpath("starter_files", name).read_text(encoding="utf-8")
        (target / name).write_text(text, encoding="utf-8")
    return target / "plan.toml"


def _write_raster(
    path: Path,
    surface: Callable[[Floats, Floats], Floats],
    left: float,
    bottom: float,
    wide: float,
    tall: float,
    cell: float,
) -> None:
    columns, rows = round(wide / cell), round(tall / cell)
    x, y = np.meshgrid(left + (np.arange(columns) + 0.5) * cell, bottom + tall - (np.arange(rows) + 0.5) * cell)
    z = np.round(surface(x, y), 2)
    data = np.where(np.isnan(z), -9999.0, z).astype(np.float32)
    place = Affine(cell, 0, _EAST + left, 0, -cell, _NORTH + bottom + tall)
    with rasterio.open(
        path, "w", driver="GTiff", width=columns, height=rows, count=1, dtype="float32", crs=_CRS, transform=place,
        nodata=-9999.0, tiled=True, blockxsize=256, blockysize=256, compress="deflate", predictor=3, zlevel=9,
    ) as file:  # fmt: skip
        file.write(data, 1)
        file.units = ("ft",)
        file.set_band_description(1, "ground elevation")


def _write_paving(path: Path) -> None:
    jobs = [s for s in STREETS if s.job]
    shapes = [shapely.Polygon([_map(*s.at(t, o)) for t, o in _corners(s)]) for s in jobs]
    table = pa.table(
        {
            "job_id": [s.job for s in jobs],
            "street": [s.name for s in jobs],
            "start_date": pa.array([s.starts for s in jobs], pa.date32()),
        }
    )
    _write_layer(path, "paving", table, shapes, "Polygon")


def _write_yards(path: Path) -> None:
    shapes = [shapely.box(*_map(left, bottom), *_map(right, top)) for left, bottom, right, top in YARDS]
    table = pa.table({"what": ["school yard", "churchyard lawn", "ball field"]})
    _write_layer(path, "stable", table, shapes, "Polygon")


def _corners(street: _Street) -> list[tuple[float, float]]:
    h = min(street.half, 9.0)
    return [(0, -h), (street.length, -h), (street.length, h), (0, h)]


def _map(x: float, y: float) -> tuple[float, float]:
    return round(_EAST + x, 3), round(_NORTH + y, 3)


def _write_hydrants(path: Path, rng: np.random.Generator) -> list[dict[str, Any]]:
    """The layer; returns the hydrants beside the first job, with the ids that a run gives them."""
    rows: list[dict[str, Any]] = []
    for street in STREETS:
        spacing = 27.0 if street.job else 36.0
        for k, station in enumerate(np.arange(spacing / 2, street.length, spacing)):
            side = 1 if k % 2 else -1
            behind = 7.6 if street.name == "Fennel Street" and k % 3 == 0 else float(rng.uniform(6.0, 8.4))
            if street.name == "Fennel Street" and k % 3:
                behind = float(rng.uniform(5.8, 6.3))
            rows.append(_hydrant(len(rows), street, street.at(float(station), side * behind), rng))
    for station in (1018.0, 1026.0):  # past the end of the first job, where its design runs on
        rows.append(_hydrant(len(rows), STREETS[0], STREETS[0].at(station, 7.0), rng))
    for station in (200.0, 520.0):  # set back from the street, past what the design can change
        rows.append(_hydrant(len(rows), STREETS[0], STREETS[0].at(station, 22.5), rng))
    _make_dirty(rows, rng)
    shapes = [None if r["at"] is None else shapely.Point(_map(*r["at"])) for r in rows]
    kinds = {"ext_in": pa.string(), "flange_in": pa.float64(), "flange_z": pa.float64(), "bury_ft": pa.float64()}
    names = [n for n in rows[0] if n != "at"]
    table = pa.table({n: pa.array([r[n] for r in rows], kinds.get(n, pa.string())) for n in names})
    _write_layer(path, "hydrants", table, shapes, "Point")
    return _beside_first_job(rows)


def _beside_first_job(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    seen: dict[str, object] = {}
    found = []
    for row in rows:
        name = row["asset_id"]
        if seen.get(name) == row["at"]:
            continue  # the same row again
        again = name in seen
        seen[name] = row["at"]
        if row["street"] == STREETS[0].name and row["status"] == "ACT" and row["at"] and STREETS[0].near(row["at"]):
            found.append({"id": f"{name}#2" if again else name, "at": row["at"]})
    return found


def _hydrant(n: int, street: _Street, at: tuple[float, float], rng: np.random.Generator) -> dict[str, Any]:
    x, y = np.array([at[0]]), np.array([at[1]])
    clearance = float(np.round(np.clip(rng.normal(4.0, 0.9), 1.5, 7.5) * 4) / 4)
    draw = rng.random()
    surveyed = street.job == "Q-101" and n % 9 == 4
    fitted = "0"
    if street.name == "Tansy Lane" and n % 3:
        fitted = ("6", "12", "18")[n // 3 % 3]
    elif draw > 0.95:
        fitted = "12"
    z = round(float(ground(x, y)[0]) + clearance / 12, 2)
    return {
        "asset_id": f"QH-{n + 1:04d}",
        "status": "ACT",
        "street": street.name,
        "family": "B" if n % 5 == 3 else "A",
        "opens": "right" if n % 11 == 6 else "left",
        "ext_in": fitted,
        "bury_ft": float(rng.choice([5.0, 5.5, 6.0])),
        "flange_in": clearance if draw < 0.62 else None,
        "flange_z": z if surveyed else None,
        "at": at,
    }


def _make_dirty(rows: list[dict[str, Any]], rng: np.random.Generator) -> None:
    """What registers look like: retired rows, a row twice, ids missing and repeated, values that cannot be read."""
    for i in rng.choice(len(rows), 4, replace=False):
        rows[i]["status"] = "RET"
    active = [i for i, r in enumerate(rows) if r["status"] == "ACT"]
    rows[active[10]]["asset_id"] = None
    rows[active[30]]["asset_id"] = rows[active[29]]["asset_id"]
    rows[active[16]]["ext_in"] = "?"
    rows[active[20]]["ext_in"] = None
    rows.append(dict(rows[active[5]]))
    rows.append({**rows[active[7]], "asset_id": "QH-0901", "at": None})
    rows.append({**rows[active[8]], "asset_id": "QH-0902", "at": (-4_650_000.0, 480_000.0)})


def _write_layer(path: Path, name: str, table: pa.Table, shapes: list[Any], kind: str) -> None:
    wkb: list[bytes | None] = [None if s is None else shapely.to_wkb(s) for s in shapes]
    geometry: NDArray[Any] | pa.Array = pa.array(wkb, pa.binary())
    pyogrio.raw.write_arrow(
        table.append_column("geom", geometry), path, layer=name, driver="GPKG", geometry_name="geom",
        geometry_type=kind, crs=_CRS,
    )  # fmt: skip
