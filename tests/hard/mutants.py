"""Small faults put into the code, one at a time: do the tests tell? The faults are mutmut's, the running is ours.

mutmut collects the tests for each fault anew, and they tell in any order; here a process that has collected them is
forked, and the quickest tests come first. Needs mutmut, installed by hand.
"""

from __future__ import annotations

import ast
import difflib
import itertools
import json
import os
import random
import shutil
import signal
import subprocess
import sys
import tempfile
import time
import tomllib
from collections.abc import Iterator, Sequence
from functools import lru_cache
from pathlib import Path
from typing import Any

ROOT = Path(__file__).parents[2]
_SAID = tomllib.loads((ROOT / "pyproject.toml").read_text(encoding="utf-8"))["tool"]["mutmut"]
MODULES = tuple(Path(name).stem for name in _SAID["only_mutate"])
TESTS = tuple(_SAID["pytest_add_cli_args_test_selection"])
PATIENCE = 4.0
"""Times what the tests take without a fault: longer is a fault found, for it would be noticed."""


def survivors(times: int | None, seed: int = 1) -> Iterator[str]:
    """One line of figures, then each fault that no test told of. times: as many, chosen at random; by default all."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        names = _planted(folder)
        chosen = names if times is None else sorted(random.Random(seed).sample(names, min(times, len(names))))
        (folder / "chosen.json").write_text(json.dumps(chosen), encoding="utf-8")
        subprocess.run(
            [sys.executable, "-m", "tests.hard.mutants", "chosen.json", "found.json"],
            cwd=folder,
            env={**os.environ, "PYTHONPATH": str(folder)},
            check=True,
        )
        found: dict[str, str] = json.loads((folder / "found.json").read_text(encoding="utf-8"))
        left = [name for name, how in found.items() if how == "left"]
        late = sum(how == "late" for how in found.values())
        share = 100 * (len(found) - len(left)) / len(found)
        yield (
            f"mutants of {' and '.join(f'{m}.py' for m in MODULES)}: {len(found)} of {len(names)} tried, "
            f"{len(found) - len(left)} killed ({share:.1f} %; {late} of them by never ending), {len(left)} survive"
        )
        for name in left:
            yield _shown(folder, name)


def _planted(folder: Path) -> list[str]:
    """A copy of the project with all faults in it, asleep; their names."""
    from mutmut.mutation.file_mutation import mutate_file_contents

    for part in ("gradecheck", "tests", "sample_data"):
        shutil.copytree(ROOT / part, folder / part, ignore=shutil.ignore_patterns("__pycache__"))
    for part in ("pyproject.toml", "README.md", "LICENSE"):
        shutil.copy(ROOT / part, folder)
    names = []
    for module in MODULES:
        path = folder / "gradecheck" / f"{module}.py"
        made = mutate_file_contents(str(path), path.read_text(encoding="utf-8"))
        path.write_text(made.code, encoding="utf-8")
        names += [f"gradecheck.{module}.{name}" for name in made.mutant_names]
    return names


def _shown(folder: Path, name: str) -> str:
    """A fault: the lines that differ from the code as it is."""
    module, _, mutant = name.rpartition(".")
    text = (folder / f"{module.replace('.', '/')}.py").read_text(encoding="utf-8")
    base = mutant.rpartition("__mutmut_")[0] + "__mutmut_orig"
    was, now = (_body(text, function) for function in (base, mutant))
    lines = difflib.unified_diff(was, now, n=0, lineterm="")
    return "\n".join([name, *(f"  {x}" for x in lines if x[0] in "+-" and x[:3] not in ("+++", "---"))])


def _body(text: str, function: str) -> list[str]:
    return _bodies(text).get(function, [])


@lru_cache
def _bodies(text: str) -> dict[str, list[str]]:
    """The lines of every function, by name."""
    lines = text.splitlines()
    functions = [node for node in ast.walk(ast.parse(text)) if isinstance(node, ast.FunctionDef)]
    return {node.name: lines[node.lineno : node.end_lineno] for node in functions}


class _Forking:
    """A plugin of pytest: once the tests are collected, each fault has them in a process forked from here."""

    def __init__(self, names: Sequence[str]) -> None:
        self.waiting = list(reversed(names))
        self.found: dict[str, str] = {}
        self.seconds: dict[str, float] = {}

    def pytest_runtest_logreport(self, report: Any) -> None:
        self.seconds[report.nodeid] = self.seconds.get(report.nodeid, 0.0) + report.duration

    def pytest_runtestloop(self, session: Any) -> bool:
        took, started = Path("took.json"), time.monotonic()
        if os.waitpid(self._child(session, "none", took), 0)[1] != 0:
            raise SystemExit("the tests fail without any fault")
        patience = PATIENCE * (time.monotonic() - started)
        seconds: dict[str, float] = json.loads(took.read_text(encoding="utf-8"))
        session.items.sort(key=lambda item: seconds[item.nodeid])
        total, running = len(self.waiting), dict[int, tuple[str, float]]()
        while self.waiting or running:
            while self.waiting and len(running) < len(os.sched_getaffinity(0)):
                name = self.waiting.pop()
                running[self._child(session, name)] = name, time.monotonic()
            pid, status = os.waitpid(-1, os.WNOHANG)
            if pid in running:
                self.found.setdefault(running.pop(pid)[0], "left" if status == 0 else "killed")
                print(f"\r{len(self.found)}/{total}", end="", file=sys.stderr, flush=True)
                continue
            for late, (name, since) in running.items():
                if time.monotonic() - since > patience and name not in self.found:
                    self.found[name] = "late"
                    os.kill(late, signal.SIGKILL)
            time.sleep(0.01)
        return True

    def _child(self, session: Any, name: str, took: Path | None = None) -> int:
        """Begin the tests with one fault awake, up to the first that tells."""
        pid = os.fork()
        if pid:
            return pid
        from mutmut.mutation.trampoline import set_mutant_under_test

        code = 1
        try:
            nowhere = os.open(os.devnull, os.O_WRONLY)
            os.dup2(nowhere, 1)
            os.dup2(nowhere, 2)
            set_mutant_under_test(name)
            for item, after in itertools.zip_longest(session.items, session.items[1:]):
                session.config.hook.pytest_runtest_protocol(item=item, nextitem=after)
                if session.testsfailed:
                    break
            if took is not None:
                took.write_text(json.dumps(self.seconds), encoding="utf-8")
            code = int(session.testsfailed > 0)
        finally:
            os._exit(code)


def _try_all(names: Sequence[str]) -> dict[str, str]:
    """Each fault, and how it ended: killed, late, or left."""
    import pytest
    from hypothesis import Phase, settings

    settings.register_profile("tell", phases=[Phase.explicit, Phase.generate])  # told is enough, no need to shrink it
    options = [
        "-q",
        "-s",
        "-p",
        "no:cacheprovider",
        "-p",
        "no:xdist",
        "--hypothesis-seed=0",
        "--hypothesis-profile=tell",
    ]
    forking = _Forking(names)
    pytest.main([*options, *TESTS], plugins=[forking])
    return {name: forking.found[name] for name in names}


if __name__ == "__main__":
    asked, answer = (Path(a) for a in sys.argv[1:])
    answer.write_text(json.dumps(_try_all(json.loads(asked.read_text(encoding="utf-8")))), encoding="utf-8")
