"""Many runs in one process: neither memory nor open files grow."""

from __future__ import annotations

import gc
import os
import tempfile
from pathlib import Path

from gradecheck import Plan, pipeline
from tests.projects import plan_values, three, toml_text, write_grounds

SETTLED = 20
"""Runs after which all that is kept once is there."""


def many_runs(times: int) -> str:
    """Resident memory and open files after the first runs and after the last."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        three().to_file(folder / "hydrants.gpkg", layer="hydrants")
        write_grounds(folder)
        (folder / "plan.toml").write_text(toml_text(plan_values()), encoding="utf-8")
        seen: list[tuple[float, int]] = []
        for _ in range(times):
            pipeline.run(Plan.load(folder / "plan.toml"))
            gc.collect()
            seen.append((_resident(), len(os.listdir("/proc/self/fd"))))  # noqa: PTH208
    (first, open_first), (last, open_last) = seen[min(SETTLED, times) - 1], seen[-1]
    return (
        f"{times} runs in one process: {first:.0f} MB and {open_first} open files after {SETTLED}, "
        f"{last:.0f} MB and {open_last} after {times}"
    )


def _resident() -> float:
    pages = int(Path("/proc/self/statm").read_text(encoding="utf-8").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6
