"""One case run as a command of its own: its status, words, seconds and peak of memory."""

from __future__ import annotations

import json
import multiprocessing
import os
import resource
import signal
import sys
import time
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from tests.corpus import Project

SECONDS = 60
"""What a case may take: more is a hang."""
MEGABYTES = 1_500
"""What a case may need at its peak, imports included: more is no bound."""


@dataclass(frozen=True, slots=True)
class Said:
    """How a command ended. record: run.json, where it wrote one; peak: MB."""

    status: int
    text: str
    seconds: float
    peak: float
    record: dict[str, Any] | None


def run(place: Project) -> Said:
    """`gradecheck run` in a process of its own, forked off a server that has everything imported."""
    context = multiprocessing.get_context("forkserver")
    context.set_forkserver_preload(["gradecheck.cli", "gradecheck.pipeline", "gradecheck.outputs.summary", "geopandas"])
    plan = place.finish()
    words = place.folder.parent / f"{place.folder.name}.said"
    started = time.monotonic()
    child = context.Process(target=_command, args=(str(plan), place.command, str(words)))
    child.start()
    child.join(SECONDS)
    if child.is_alive():
        child.kill()
        child.join()
    text = words.read_text(encoding="utf-8", errors="replace") if words.exists() else ""
    peak = 0.0
    if "\npeak " in text:
        text, _, tail = text.rpartition("\npeak ")
        peak = float(tail)
    words.unlink(missing_ok=True)
    record = place.folder / "out" / "run.json"
    held = json.loads(record.read_text(encoding="utf-8")) if record.exists() else None
    return Said(child.exitcode if child.exitcode is not None else -1, text, time.monotonic() - started, peak, held)


def _command(plan: str, more: tuple[str, ...], words: str) -> None:
    """In the child: the command line, its words in a file."""
    from gradecheck.cli import main

    signal.signal(signal.SIGINT, signal.default_int_handler)
    out = os.open(words, os.O_CREAT | os.O_WRONLY | os.O_TRUNC)
    os.dup2(out, 1)
    os.dup2(out, 2)
    sys.stdout = os.fdopen(1, "w", encoding="utf-8")
    sys.stderr = os.fdopen(2, "w", encoding="utf-8")
    os.chdir(Path(plan).parent)
    os.environ["GRADECHECK_CACHE"] = str(Path(plan).parent / ".cache")
    sys.argv = ["gradecheck", "run", plan, *more]
    status = 1
    try:
        main()
    except SystemExit as left:
        status = left.code if isinstance(left.code, int) else 1
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        os.write(1, f"\npeak {peak:.1f}".encode())
        os._exit(status)
