"""Runs that are killed, or whose writing fails: is what is in the output folder ever a mix that passes for whole?"""

from __future__ import annotations

import contextlib
import errno
import json
import os
import random
import shutil
import signal
import sys
import tempfile
import time
from collections import Counter
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

from gradecheck import GradecheckError, Plan, pipeline
from gradecheck.outputs.manifest import digest
from gradecheck.placing import claimed
from tests.projects import plan_values, three, toml_text, write_grounds

CHANGES = {"os.rename", "os.remove", "os.mkdir", "os.rmdir", "shutil.rmtree"}
OLD, NEW = "0.95", "0.9"


def at_random(times: int) -> str:
    """Kill -9 at random moments of a run; half of them while it writes."""
    rng = random.Random(7)
    with _project() as folder:
        seconds, writing = _timed(folder)
        found: Counter[str] = Counter()
        for k in range(times):
            _restore(folder)
            child = _child(folder, 10**9, _die)
            time.sleep(rng.uniform(0, seconds) if k % 2 else rng.uniform(writing, seconds))
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
            os.waitpid(child, 0)
            found[_verdict(folder)] += 1
        return f"kill -9 at {times} random moments of a run of {seconds:.2f} s: {_said(found)}"


def at_every_change() -> str:
    """Die, and then fail as on a full disk, just before every change of files that a run makes."""
    lines = []
    with _project() as folder:
        for name, strike in (("killed", _die), ("disk full", _fail)):
            found: Counter[str] = Counter()
            for at in range(1, 2_000):
                _restore(folder)
                child = _child(folder, at, strike)
                status = os.waitstatus_to_exitcode(os.waitpid(child, 0)[1])
                if (folder / "unstruck").exists():
                    (folder / "unstruck").unlink()
                    break
                if status == 3:
                    found["a fault that is not told as one"] += 1
                found[_verdict(folder)] += 1
            lines.append(f"{name} at each of {sum(found.values())} changes of files: {_said(found)}")
    return "\n".join(lines)


def _said(found: Counter[str]) -> str:
    return ", ".join(f"{count} {what}" for what, count in sorted(found.items()))


@contextlib.contextmanager
def _project() -> Iterator[Path]:
    """A small project with a whole former run of another confidence."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        os.environ["GRADECHECK_CACHE"] = str(folder / "cache")
        three().to_file(folder / "hydrants.gpkg", layer="hydrants")
        write_grounds(folder)
        for confidence, kept in ((NEW, "new"), (OLD, "old")):
            shutil.rmtree(folder / "out", ignore_errors=True)
            _write_plan(folder, confidence)
            pipeline.run(Plan.load(folder / "plan.toml"))
            shutil.copytree(folder / "out", folder / kept)
        _write_plan(folder, NEW)
        yield folder


def _write_plan(folder: Path, confidence: str) -> None:
    values: dict[str, Any] = plan_values(policy={"confidence": float(confidence)})
    (folder / "plan.toml").write_text(toml_text(values), encoding="utf-8")


def _restore(folder: Path) -> None:
    shutil.rmtree(folder / "out", ignore_errors=True)
    shutil.copytree(folder / "old", folder / "out")


def _timed(folder: Path) -> tuple[float, float]:
    """Seconds of a run in a child, and after how many it begins to write."""
    _restore(folder)
    started = time.monotonic()
    child = _child(folder, 10**9, _die)
    writing = 0.0
    while os.waitpid(child, os.WNOHANG) == (0, 0):
        if not writing and list((folder / "out").glob(".gradecheck-*")):
            writing = time.monotonic() - started
        time.sleep(0.001)
    (folder / "unstruck").unlink()
    return time.monotonic() - started, writing


def _child(folder: Path, at: int, strike: Callable[[], None]) -> int:
    """A run in a copy of this process, whose number this is, struck just before its change of files number `at`."""
    child = os.fork()
    if child:
        return child
    out, seen = str(folder / "out"), [0]

    def watch(event: str, given: tuple[Any, ...]) -> None:
        writes = event == "open" and isinstance(given[2], int) and given[2] & (os.O_WRONLY | os.O_RDWR)
        if (event in CHANGES or writes) and str(given[0]).startswith(out):
            seen[0] += 1
            if seen[0] == at:
                strike()

    sys.addaudithook(watch)
    status = 0
    try:
        pipeline.run(Plan.load(folder / "plan.toml"))
    except GradecheckError:
        status = 2
    except BaseException:
        status = 3
    if seen[0] < at:
        (folder / "unstruck").touch()
    os._exit(status)


def _die() -> None:
    os._exit(137)


def _fail() -> None:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


def _verdict(folder: Path) -> str:
    """What the folder holds, what the next command makes of it, and whether a run succeeds after that."""
    out = folder / "out"
    first = _state(folder, out)
    journals = list(out.glob(".gradecheck-*/placing.json"))
    if first == "mix" and not journals:
        return "A MIX THAT PASSES FOR WHOLE"
    with claimed(out):
        second = _state(folder, out)
    if second == "mix":
        return "A MIX THAT IS NOT MENDED"
    if list(out.glob(".gradecheck-*")):
        return "LITTER"
    pipeline.run(Plan.load(folder / "plan.toml"))
    if _state(folder, out) != "new":
        return "NO RUN AFTER IT"
    return f"{first}, then {second}" if first != second else f"all {first}"


def _state(folder: Path, out: Path) -> str:
    """Old or new where all files are of one run and run.json has their digests; else a mix."""
    try:
        record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return "mix"
    confidence = str(record["plan"]["policy"]["confidence"])
    names = {p.name for p in out.iterdir() if not p.name.startswith(".")}
    whole = all(digest(out / name) == one["sha256"] for name, one in record["outputs"].items() if name in names)
    if not whole or names != {*record["outputs"], "run.json"}:
        return "mix"
    return {OLD: "old", NEW: "new"}[confidence]
