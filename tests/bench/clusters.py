"""A run in this process beside the same on one and two worker processes; the answers are compared to the bit."""

from __future__ import annotations

import time
from pathlib import Path

from gradecheck import Plan, pipeline
from gradecheck.cluster import joined
from gradecheck.surfaces import blocks
from tests.bench import jobs
from tests.bench.measured import Row, Table

PART = "cluster"


def measure(table: Table, folder: Path, short: bool = False) -> None:
    """Seconds of the assessment alone: files are written the same way whoever judged."""
    count, size, side = jobs.SHORT[0] if short else jobs.SIZES[0]
    plan = Plan.load(jobs.project(folder, count, size, side))
    what = f"{count:,} hydrants, {size}²"
    blocks.clear()
    here = pipeline.compute(plan)
    alone = here.timings["assess"]
    for workers in (1, 2):
        with joined(workers=workers) as cluster:
            pipeline.compute(plan, spread=cluster)  # workers have their imports behind them
            started = time.perf_counter()
            there = pipeline.compute(plan, spread=cluster)
            seconds = time.perf_counter() - started - there.timings["read"]
        same = there.hydrants.equals(here.hydrants) and there.order.equals(here.order)
        note = "the same to the bit" if same else "NOT THE SAME"
        table.add(
            Row(
                PART, f"{what}, {workers} worker{'s' if workers > 1 else ''}", seconds, alone, "this process", note=note
            )
        )
