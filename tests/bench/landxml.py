"""A 200 MB triangulated surface read by us and by lxml as a whole tree: `python -m tests.bench.landxml`.

Each reading is a process of its own, in turn, so that its peak memory is its own. Seconds are those of the
processor, since other work may go on beside; medians of the rounds are printed with the machine. "Surfaces passed
over" is what a file costs of which the roads alone are wanted.
"""

from __future__ import annotations

import json
import os
import platform
import resource
import statistics
import subprocess
import sys
import tempfile
import time
from pathlib import Path

import numpy as np

from gradecheck.formats.landxml import read_landxml

SIDE = 1200
HEAD = (
    '<?xml version="1.0"?>\n<LandXML xmlns="http://www.landxml.org/schema/LandXML-1.2" version="1.2">\n'
    '<Units><Imperial linearUnit="USSurveyFoot"/></Units>\n'
    '<Surfaces><Surface name="FG"><Definition surfType="TIN">\n'
)


def write(path: Path, side: int) -> None:
    """A crumpled square of side x side points, 16 digits each, as exporters write them."""
    rng = np.random.default_rng(7)
    with path.open("w", encoding="utf-8") as file:
        file.write(f"{HEAD}<Pnts>\n")
        for i in range(side):
            place = np.arange(side) + rng.uniform(-0.1, 0.1, side)
            rows = zip((1068179.3388 + i + place % 1).tolist(), (835199.25 + place).tolist(), strict=True)
            z = rng.normal(300, 5, side).tolist()
            first = i * side + 1
            file.writelines(f'  <P id="{first + j}">{n!r} {e!r} {z[j]!r}</P>\n' for j, (n, e) in enumerate(rows))
        file.write("</Pnts>\n<Faces>\n")
        for a in (i * side + j + 1 for i in range(side - 1) for j in range(side - 1)):
            file.write(f"  <F>{a} {a + 1} {a + side}</F>\n  <F>{a + 1} {a + side + 1} {a + side}</F>\n")
        file.write("</Faces></Definition></Surface></Surfaces>\n</LandXML>\n")


def ours(path: Path, surfaces: bool = True) -> int:
    """Triangles read, and the sum of all vertices used so that both readers are seen to agree."""
    meshes = read_landxml(path, path.name, surfaces).surfaces
    return sum(int(m.corners.sum()) + len(m.x) for m in meshes)


def whole_tree(path: Path) -> int:
    """The same by a whole tree and numpy."""
    from lxml import etree

    root = etree.parse(str(path), etree.XMLParser(huge_tree=True)).getroot()
    space = root.tag.removesuffix("LandXML")
    points, faces = list(root.iter(f"{space}P")), [f for f in root.iter(f"{space}F") if f.get("i") != "1"]
    ids = np.array([int(p.get("id")) for p in points])
    rows = np.array(" ".join(p.text for p in points).split(), dtype=np.float64).reshape(-1, 3)
    corners = np.array(" ".join(f.text for f in faces).split(), dtype=np.int64).reshape(-1, 3)
    order = np.argsort(ids)
    vertices = order[np.searchsorted(ids, corners, sorter=order)]
    return int(vertices.sum()) + len(rows)


def tree_alone(path: Path) -> int:
    """The whole tree, nothing taken out of it."""
    from lxml import etree

    return len(etree.parse(str(path), etree.XMLParser(huge_tree=True)).getroot())


READERS = {
    "ours": ours,
    "ours, surfaces passed over": lambda path: ours(path, surfaces=False),
    "lxml, whole tree and arrays": whole_tree,
    "lxml, whole tree alone": tree_alone,
}


def child(name: str, path: Path) -> None:
    """One reading, told on the standard output; memory beyond what the libraries take by themselves."""
    before = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    started = time.process_time()
    result = READERS[name](path)
    seconds = time.process_time() - started
    peak = (resource.getrusage(resource.RUSAGE_SELF).ru_maxrss - before) / 1024
    print(json.dumps({"seconds": seconds, "peak": peak, "result": result}))


def main(rounds: int = 3) -> None:
    """Print the table."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "surface.xml"
        write(path, SIDE)
        told: dict[str, list[dict[str, float]]] = {name: [] for name in READERS}
        for _ in range(rounds):
            for name in READERS:
                command = [sys.executable, "-m", "tests.bench.landxml", name, str(path)]
                done = subprocess.run(command, check=True, capture_output=True, text=True)
                told[name].append(json.loads(done.stdout))
        size = path.stat().st_size / 1e6
    print(f"{platform.machine()}, {os.cpu_count()} cores, Python {platform.python_version()}, numpy {np.__version__}")
    arrays = (3 * 8 * SIDE**2 + 24 * 2 * (SIDE - 1) ** 2) / 2**20
    print(f"{size:.0f} MB, {SIDE**2:,} points, {2 * (SIDE - 1) ** 2:,} triangles, arrays of {arrays:.0f} MiB")
    agree = told["ours"][0]["result"] == told["lxml, whole tree and arrays"][0]["result"]
    print(f"both readers agree: {agree}")
    base = {key: statistics.median(t[key] for t in told["ours"]) for key in ("seconds", "peak")}
    for name, runs in told.items():
        seconds, peak = (statistics.median(t[key] for t in runs) for key in ("seconds", "peak"))
        ratio = f"{seconds / base['seconds']:6.2f} x time {peak / base['peak']:7.2f} x memory"
        print(f"{name:<30}{seconds:7.2f} s {peak:7.0f} MiB{ratio}")


if __name__ == "__main__":
    child(sys.argv[1], Path(sys.argv[2])) if len(sys.argv) > 2 else main()
