"""Every figure of speed, ours and each peer in turn in one process tree: `python -m tests.bench [--short] [--out DIR]`.

Data are made on the spot from seeds, into --data (kept; a temporary folder by default). Writes speed.md and speed.json
into --out. --short: small, in under two minutes, to see that all of it works; its figures mean nothing. --part: some
of it: sampling, jobs, clusters, network.
"""

from __future__ import annotations

import argparse
import tempfile
from pathlib import Path

from tests.bench import clusters, jobs, network, sampling
from tests.bench.measured import Table, machine

PARTS = {"sampling": sampling, "jobs": jobs, "clusters": clusters, "network": network}


def main() -> None:
    """Measure, show, write."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("--short", action="store_true")
    asked.add_argument("--out", type=Path, default=Path("out/bench"))
    asked.add_argument("--data", type=Path)
    asked.add_argument("--part", action="append", choices=PARTS)
    said = asked.parse_args()
    with tempfile.TemporaryDirectory(prefix="gradecheck-bench-") as name:
        folder = said.data or Path(name)
        folder.mkdir(parents=True, exist_ok=True)
        table = Table(said.short)
        print(machine(), flush=True)
        for part in said.part or PARTS:
            PARTS[part].measure(table, folder, said.short)
            table.write(said.out)


if __name__ == "__main__":
    main()
