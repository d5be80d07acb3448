"""report.html for a town: how long it takes to write, how large it is, how soon it opens in headless Chromium.

    python -m tests.bench.report [HYDRANTS]

Generated: streets 120 m apart with a hydrant every 90 m, a tenth of the streets in the paving plan as polygons.
"""

from __future__ import annotations

import re
import shutil
import statistics
import sys
import tempfile
import time
from pathlib import Path

import geopandas as gpd
import numpy as np
import rasterio
import shapely
from affine import Affine

from gradecheck import Plan, compute
from gradecheck.outputs import manifest
from gradecheck.report.page import report
from gradecheck.surroundings import surroundings
from tests.projects import CRS, EAST, NORTH, toml_text

CELL = 5.0
STREETS, ALONG = 120.0, 90.0
FLAGS = ["--no-sandbox", "--disable-gpu", "--disable-background-networking", "--disable-component-update"]


def town(folder: Path, count: int) -> Plan:
    """A plan of so many hydrants on a square of streets."""
    streets = round((count * ALONG / STREETS) ** 0.5)
    number = np.arange(count)
    street, place = number % streets, number // streets
    x, y = EAST + place * ALONG + 7.0 * (street % 9), NORTH + street * STREETS + 6.0 * (place % 2)
    rng = np.random.default_rng(7)
    layer = gpd.GeoDataFrame(
        {
            "asset_id": [f"H-{k:06d}" for k in number],
            "street": [f"Street {k}" for k in street],
            "flange_in": np.where(rng.random(count) < 0.6, rng.uniform(2, 6, count), np.nan),
        },
        geometry=shapely.points(x, y),
        crs=CRS,
    )
    layer.to_file(folder / "hydrants.gpkg")
    paved = np.arange(0, streets, 10)
    boxes = shapely.box(x.min() - 20, NORTH + paved * STREETS - 5, x.max() + 20, NORTH + paved * STREETS + 11)
    starts = [f"2027-0{k % 8 + 1}-01" for k in range(len(paved))]
    gpd.GeoDataFrame({"job_id": [f"J-{k:03d}" for k in paved], "start_date": starts}, geometry=boxes, crs=CRS).to_file(
        folder / "paving.gpkg"
    )
    _grounds(folder, x, y)
    values = {
        "hydrants": {"path": "hydrants.gpkg", "id": "asset_id", "street": "street",
                     "clearance": {"column": "flange_in", "unit": "in"}},
        "paving": {"path": "paving.gpkg", "job": "job_id", "starts": "start_date"},
        "before": {"raster": "before.tif", "unit": "ft", "sd": "0.1 ft"},
        "after": {"raster": "after.tif", "unit": "ft", "sd": "0.05 ft"},
    }  # fmt: skip
    (folder / "plan.toml").write_text(toml_text(values), encoding="utf-8")
    return Plan.load(folder / "plan.toml")


def _grounds(folder: Path, x: np.ndarray, y: np.ndarray) -> None:
    width, height = (int(np.ptp(v) // CELL) + 20 for v in (x, y))
    grid = Affine(CELL, 0, x.min() - 50, 0, -CELL, y.max() + 50)
    column, row = np.meshgrid(np.arange(width), np.arange(height))
    before = 800 + 0.004 * column + 3 * np.sin(row / 90)
    change = 1.2 * np.sin(column / 130) * np.cos(row / 70)
    profile = {"driver": "GTiff", "width": width, "height": height, "count": 1, "dtype": "float32", "crs": CRS}
    for name, z in (("before", before), ("after", before + change)):
        with rasterio.open(
            folder / f"{name}.tif", "w", transform=grid, tiled=True, compress="deflate", **profile
        ) as out:
            out.write(z.astype("float32"), 1)


def opened(path: Path) -> tuple[float, float, float]:
    """Seconds until the page is ready, medians of three; of a redraw of the map; of a filter."""
    from playwright.sync_api import sync_playwright

    with sync_playwright() as driver:
        browser = driver.chromium.launch(executable_path=shutil.which("chromium"), args=FLAGS)
        ready, redraw, filtered = [], [], []
        for _ in range(3):
            page = browser.new_page(viewport={"width": 1400, "height": 900})
            started = time.perf_counter()
            page.goto(path.as_uri())
            page.wait_for_selector("html[data-ready=true]", timeout=120_000)
            page.evaluate("new Promise((done) => requestAnimationFrame(() => requestAnimationFrame(done)))")
            ready.append(time.perf_counter() - started)
            redraw.append(page.evaluate(_TIMED.format("document.getElementById('closer').click()")))
            chip = "document.querySelector('.chip[data-action=keep], .chip').click()"
            filtered.append(page.evaluate(_TIMED.format(chip)))
            page.close()
        browser.close()
    return statistics.median(ready), statistics.median(redraw), statistics.median(filtered)


_TIMED = """new Promise((done) => {{
  const started = performance.now();
  {};
  requestAnimationFrame(() => requestAnimationFrame(() => done((performance.now() - started) / 1000)));
}})"""


def main(count: int) -> None:
    """Print the figures."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        plan = town(folder, count)
        started = time.perf_counter()
        result = compute(plan)
        computed = time.perf_counter() - started
        read = manifest.input_files(result.assessment.inputs)
        seconds = []
        for _ in range(3):
            started = time.perf_counter()
            around = surroundings(result.assessment.inputs)
            text = report(result.assessment, around, result.summary, read)
            seconds.append(time.perf_counter() - started)
        (folder / "report.html").write_text(text, encoding="utf-8")
        picture = len(re.search(r'"url":"([^"]*)"', text)[1])  # type: ignore[index]
        ready, redraw, filtered = opened(folder / "report.html")
        reached = int((~result.assessment.cases.outside).sum())
        print(f"{count:,} hydrants, {reached:,} of them in jobs: computed in {computed:.2f} s")
        print(f"  report.html written in {statistics.median(seconds):.2f} s (median of 3)")
        print(f"  {(len(text.encode()) - picture) / 1e6:.2f} MB and a picture of {picture / 1e6:.2f} MB")
        print(
            f"  ready {ready:.2f} s after opening; the map closer {redraw:.2f} s; an action left out {filtered:.2f} s"
        )


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 2_000)
