"""Atheris on each reader for a while, a process each; what breaks one is kept beside the seeds, for the tests.

Install atheris by hand: it is no part of the lock file, since the tests do not need it.
"""

from __future__ import annotations

import re
import subprocess
import sys
import tempfile
from collections.abc import Iterator

from tests.hard.readers import READERS, SEEDS

_MEGABYTES = 2_000
_SLOWEST = 20
"""Seconds that one input may take."""

_CHILD = """
import sys, warnings
import atheris
warnings.simplefilter("ignore")
with atheris.instrument_imports(include=["gradecheck"]):
    from tests.hard.readers import read
name = sys.argv.pop(1)
atheris.Setup(sys.argv, lambda content: read(name, content) and None)
atheris.Fuzz()
"""


def every_reader(seconds: int) -> Iterator[str]:
    """A line of figures for each reader."""
    for name in READERS:
        with tempfile.TemporaryDirectory() as corpus:
            command = [sys.executable, "-c", _CHILD, name, f"-max_total_time={seconds}", f"-timeout={_SLOWEST}",
                       f"-rss_limit_mb={_MEGABYTES}", "-max_len=20000", "-print_final_stats=1",
                       f"-artifact_prefix={SEEDS / name}/found-", corpus, str(SEEDS / name)]  # fmt: skip
            run = subprocess.run(command, capture_output=True, text=True, errors="replace", check=False)
        done = re.search(r"number_of_executed_units:\s*(\d+)", run.stderr)
        executed = int(done[1]) if done else len(re.findall(r"^#\d+", run.stderr, re.MULTILINE))
        fault = "" if run.returncode == 0 else f", BROKEN: {_last(run.stderr)}"
        yield f"{name}: {executed:,} inputs in {seconds} s, {_crashes(name)} kept that break it{fault}"


def _crashes(name: str) -> int:
    return len(list((SEEDS / name).glob("found-*")))


def _last(text: str) -> str:
    lines = [line for line in text.splitlines() if "Error" in line or "ERROR" in line]
    return lines[0][:300] if lines else text[-300:]
