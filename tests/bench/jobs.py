"""The whole job beside the sum of its floors; how little is read where little is built; memory; the first answer."""

from __future__ import annotations

import json
import resource
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import geopandas as gpd
import numpy as np
import pyogrio.raw
import shapely

from gradecheck import Plan, pipeline
from gradecheck.decision import decide
from gradecheck.outputs import columns, order_files
from gradecheck.surfaces import blocks
from tests.bench import sampling, towns
from tests.bench.measured import Row, Table, in_turn
from tests.projects import toml_text

PART = "whole job"
SIZES = ((10_000, 20_000, 5_700.0), (100_000, 20_000, 20_000.0), (1_000_000, 20_000, 20_000.0))
SHORT = ((2_000, 1_500, 1_500.0),)
CATALOGUE = "\n".join(
    f'[[extension]]\nfamily = "A"\nlength = "{inches} in"\npart_number = "A-{inches}"\nunit_cost = {100 + 5 * inches}\n'
    for inches in range(6, 66, 6)
)


def project(
    folder: Path, count: int, size: int, side: float, box: tuple[float, float, float, float] | None = None
) -> Path:
    """A plan of hydrants along streets that are all in the paving plan; box: ground of the design only there."""
    place = folder / f"job-{count}{'' if box is None else '-part'}"
    place.mkdir(exist_ok=True)
    whole = towns.WEST, towns.NORTH - side, towns.WEST + side, towns.NORTH
    towns.terrain(folder / f"before-{size}.tif", size, 3)
    after = folder / f"after-{size}{'' if box is None else '-part'}.tif"
    if box is None:
        towns.terrain(after, size, 4, design=True)
    else:
        towns.terrain(after, round(box[2] - box[0]), 4, design=True, corner=(round(box[0]), round(box[3])))
    towns.hydrants(place / "hydrants.gpkg", *towns.streets(count, whole, 1))
    (place / "catalog.toml").write_text(CATALOGUE, encoding="utf-8")
    values: dict[str, Any] = {
        "hydrants": {"path": "hydrants.gpkg", "id": "asset_id", "street": "street", "family": "family",
                     "clearance": {"column": "flange_in", "unit": "in"}},
        "before": {"raster": f"../before-{size}.tif", "unit": "m", "sd": "0.1 ft"},
        "after": {"raster": f"../{after.name}", "unit": "m", "sd": "0.05 ft"},
        "catalog": {"path": "catalog.toml"},
        "output": {"sheets": [], "report_rows": 2000},
    }  # fmt: skip
    if box is None:
        lines, names = streets(whole)
        gpd.GeoDataFrame({"job": names}, geometry=lines, crs=towns.CRS).to_file(place / "paving.gpkg")
        values["paving"] = {"path": "paving.gpkg", "job": "job"}
    (place / "plan.toml").write_text(toml_text(values), encoding="utf-8")
    return place / "plan.toml"


def streets(box: tuple[float, float, float, float]) -> tuple[list[shapely.Geometry], list[str]]:
    """The streets' lines, twenty a job."""
    left, bottom, right, top = box
    steps = np.arange(0, right - left + 1, 120.0)
    lines = [shapely.LineString([(left, bottom + s), (right, bottom + s)]) for s in steps]
    lines += [shapely.LineString([(left + s, bottom), (left + s, top)]) for s in steps]
    return lines, [f"J-{k // 20:02d}" for k in range(len(lines))]


def measure(table: Table, folder: Path, short: bool = False) -> None:
    """What is read where little is built, memory, the first answer; then the whole job at all sizes."""
    _little(table, folder, short)
    _memory(table, folder, short)
    command = [str(Path(sys.executable).with_name("gradecheck")), "--help"]
    if Path(command[0]).exists():
        help_ = in_turn({"help": lambda: subprocess.run(command, check=True, capture_output=True)}, 3)["help"]
        table.add(Row(PART, "gradecheck --help", help_, asked="< 0.5 s"))
    for count, size, side in SHORT if short else SIZES:
        times = 1 if short or count > 50_000 else 3
        _whole(table, project(folder, count, size, side), folder, count, size, side, times)


def _whole(table: Table, plan_file: Path, folder: Path, count: int, size: int, side: float, times: int) -> None:
    plan = Plan.load(plan_file)
    out = plan_file.parent / "out"
    seconds: list[float] = []
    result = None
    for _ in range(times):
        blocks.clear()
        started = time.perf_counter()
        result = pipeline.run(plan.with_output(str(out)))
        seconds.append(time.perf_counter() - started)
    if result is None:
        return
    floor = _floors(result, plan_file, folder, size, times)
    total = sum(floor.values())
    own = float(np.median(seconds))
    parts = ", ".join(f"{name} {value:.2f}" for name, value in floor.items())
    table.add(
        Row(
            PART,
            f"gradecheck run, {count:,} hydrants, {size}²",
            own,
            total,
            "the floors summed",
            asked=">= 0.67",
            note=parts,
        )
    )


def _floors(result: pipeline.Result, plan_file: Path, folder: Path, size: int, times: int) -> dict[str, float]:
    """The best that each part of the job takes by itself, on this machine, now."""
    a = result.assessment
    h = a.inputs.hydrants
    files = [folder / f"{side}-{size}.tif" for side in ("before", "after")]
    layer, streets_ = (
        plan_file.parent / "hydrants.gpkg",
        gpd.read_file(plan_file.parent / "paving.gpkg").geometry.values,
    )
    made = columns.hydrants_table(a)
    there = plan_file.parent / "floor.gpkg"
    sure = np.argsort(h.x // 500 * 1e6 + h.y, kind="stable")

    def read() -> None:
        _, found = pyogrio.raw.read_arrow(layer)
        shapely.get_coordinates(
            shapely.from_wkb(found.column("geom" if "geom" in found.column_names else "geometry").to_numpy())
        )

    def street() -> None:
        points = shapely.points(h.x[sure], h.y[sure])
        _, line = shapely.STRtree(streets_).query_nearest(points, all_matches=False)
        shapely.line_locate_point(streets_[line], points)

    def write() -> None:
        there.unlink(missing_ok=True)
        pyogrio.raw.write_arrow(
            made,
            there,
            layer="hydrants",
            driver="GPKG",
            geometry_name=columns.GEOMETRY,
            geometry_type="Point",
            crs=towns.CRS,
        )

    def order() -> None:
        order_files.write_csv(columns.order_table(a.order, "in"), plan_file.parent / "floor.csv")

    grounds = [sampling.opened(file) for file in files]

    def points() -> None:
        blocks.clear()
        for ground in grounds:
            ground.heights(h.x, h.y)

    def nodes() -> None:
        blocks.clear()
        sampling.change(grounds[0], grounds[1], h.x, h.y, 1.0)

    found = in_turn(
        {"read": read, "street": street, "decode": points, "nodes": nodes,
         "decide": lambda: decide(a.cases, a.inputs.plan.policy), "write": write, "order": order},
        times,
    )  # fmt: skip
    found["nodes"] = max(found["nodes"] - found["decode"], 0.0)
    return found


def _little(table: Table, folder: Path, short: bool) -> None:
    """A city of hydrants, a design of which covers a fiftieth: how many of the blocks are read."""
    count, size = (2_000, 4_000) if short else (100_000, 20_000)
    side = size * 0.02**0.5
    middle = towns.WEST + size / 2, towns.NORTH - size / 2
    box = middle[0] - side / 2, middle[1] - side / 2, middle[0] + side / 2, middle[1] + side / 2
    plan = Plan.load(project(folder, count, size, float(size), box))
    blocks.clear()
    with sampling.reads() as read:
        pipeline.compute(plan)
    every = 2 * (-(-size // towns.TILE)) ** 2
    what = f"blocks read, {count:,} hydrants, a design of 2 %"
    note = f"{100 * read[0] / every:.1f} %"
    table.add(Row(PART, what, read[0], every, "all blocks of both", unit="blocks", asked=">= 20", note=note))


def _memory(table: Table, folder: Path, short: bool) -> None:
    """Peak of a process of its own above what its imports take."""
    cases = (
        ((2_000, 1_500),)
        if short
        else ((10_000, 5_000), (100_000, 5_000), (100_000, 20_000), (100_000, 50_000), (1_000_000, 20_000))
    )
    for count, size in cases:
        if size > 20_000:  # ground only where there are hydrants: the file is as large, its empty blocks take no disk
            side = 20_000.0
            box = towns.WEST, towns.NORTH - side, towns.WEST + side, towns.NORTH
            for number, name in ((3, "before"), (4, "after")):
                towns.terrain(folder / f"{name}-{size}.tif", size, number, name == "after", box)
        else:
            side = float(size)
        command = [sys.executable, "-m", "tests.bench.jobs", str(folder), str(count), str(size), str(side)]
        said = json.loads(subprocess.run(command, check=True, capture_output=True, text=True).stdout)
        what, asked = f"sampling with 19 nodes, {count:,} hydrants, {size}²", "< 200" if count <= 100_000 else ""
        note = f"the points themselves {said['points']:.0f} MB"
        table.add(Row("memory", what, said["peak"], unit="MB above imports", asked=asked, note=note))


def _child(folder: Path, count: int, size: int, side: float) -> None:
    x, y = towns.streets(count, (towns.WEST, towns.NORTH - side, towns.WEST + side, towns.NORTH), 1)
    grounds = [sampling.opened(folder / f"{name}-{size}.tif", 1.0) for name in ("before", "after")]
    with peak() as seen:
        sampling.change(grounds[0], grounds[1], x, y, 1.0)
    print(json.dumps({"peak": seen[0], "points": (x.nbytes + y.nbytes) / 1e6}))


@contextmanager
def peak() -> Iterator[list[float]]:
    """Megabytes by which the peak of this process rises."""
    seen = [_most()]
    yield seen
    seen[0] = _most() - seen[0]


def _most() -> float:
    """The peak so far, MB: of Linux' own books, since getrusage counts what the parent had when it started us."""
    status = Path("/proc/self/status")
    if not status.exists():
        return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
    line = next(line for line in status.read_text(encoding="utf-8").splitlines() if line.startswith("VmHWM"))
    return int(line.split()[1]) / 1024


if __name__ == "__main__":
    _child(Path(sys.argv[1]), int(sys.argv[2]), int(sys.argv[3]), float(sys.argv[4]))
