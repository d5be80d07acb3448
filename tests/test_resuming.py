"""What a long run has finished is kept when it is cut short, counts only for the same run, goes when it is whole."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gradecheck import Plan, measurement, pipeline, resuming
from gradecheck.judging import Batch, Judged, Site
from gradecheck.resuming import Interrupted
from tests.projects import CRS, hydrants, plan_values, three, toml_text, write_ground, write_grounds
from tests.test_spread import same


class Stopping:
    """Batches worked here, with Ctrl-C, or the end, after so many."""

    def __init__(self, after: int, error: type[BaseException] = KeyboardInterrupt):
        self.after, self.error, self.worked = after, error, 0

    def judge(self, site: Site, batches: list[Batch], done: Callable[[int, Judged], None]) -> list[Judged]:
        """See `measurement.Spread.judge`."""

        def count(number: int, judged: Judged) -> None:
            self.worked += 1
            done(number, judged)
            if self.worked == self.after:
                raise self.error

        return measurement.Here().judge(site, batches, count)


@pytest.fixture
def town(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A plan of 60 hydrants that is worked in a dozen batches, all of which are kept at once."""
    rng = np.random.default_rng(8)
    places = [tuple(p) for p in rng.uniform(0, 100, (60, 2)).tolist()]
    columns = {"asset_id": [f"H-{k}" for k in range(60)], "flange_in": rng.uniform(0, 12, 60).round(2)}
    folder = tmp_path / "town"
    folder.mkdir()
    hydrants(columns, places).to_file(folder / "hydrants.gpkg")
    write_grounds(folder)
    (folder / "plan.toml").write_text(toml_text(plan_values()))
    monkeypatch.setenv("GRADECHECK_CACHE", str(tmp_path / "cache"))
    monkeypatch.setattr(resuming, "KEEP_AFTER", -1.0)
    monkeypatch.setattr(measurement.measure, "__defaults__", (*measurement.measure.__defaults__[:-1], 5))
    return folder / "plan.toml"


def kept(town: Path) -> list[Path]:
    return sorted((town.parent.parent / "cache" / "batches").glob("*/*.batch"))


def cut_short(town: Path, after: int = 4) -> Stopping:
    spread = Stopping(after)
    with pytest.raises(Interrupted) as stopped:
        pipeline.run(Plan.load(town), spread=spread)
    assert (stopped.value.kept, stopped.value.of) == (after, 12)
    return spread


def resumed(town: Path, **options: Any) -> tuple[pipeline.Result, int]:
    """The run done again to its end, and how many batches were worked in it."""
    spread = Stopping(10**9)
    result = pipeline.run(Plan.load(town), spread=spread, **options)
    return result, spread.worked


def test_a_run_goes_on_where_it_was_cut_short_and_says_so_and_the_answer_is_the_same(town: Path) -> None:
    whole = pipeline.compute(Plan.load(town))
    cut_short(town)
    assert len(kept(town)) == 4
    assert not (town.parent / "out").exists()
    result, worked = resumed(town)
    assert worked == 8
    assert "4 of 12 batches were kept from an interrupted run; --fresh works anew" in result.summary["warnings"]
    assert json.loads((town.parent / "out" / "run.json").read_text())["resumed"] == {"batches": 4, "of": 12}
    same(result.assessment.change, whole.assessment.change)
    same(result.assessment.decision, whole.assessment.decision)
    assert not kept(town), "what was kept goes with the run that is whole"
    assert "resumed" not in resumed(town)[0].summary


def test_it_may_be_cut_short_again_and_again(town: Path) -> None:
    cut_short(town, 3)
    with pytest.raises(Interrupted) as stopped:
        pipeline.run(Plan.load(town), spread=Stopping(2))
    assert stopped.value.kept == 5
    assert resumed(town)[1] == 7


def test_fresh_uses_nothing_of_it(town: Path) -> None:
    cut_short(town)
    result, worked = resumed(town, fresh=True)
    assert worked == 12
    assert "resumed" not in result.summary


def test_what_a_fresh_run_keeps_never_passes_for_what_was_kept_of_other_inputs(town: Path) -> None:
    whole = pipeline.compute(Plan.load(town))
    cut_short(town)
    _other_ground(town)
    with pytest.raises(Interrupted):
        pipeline.run(Plan.load(town), spread=Stopping(4), fresh=True)
    write_grounds(town.parent)
    same(resumed(town)[0].assessment.change, whole.assessment.change)


def _other_hydrant(town: Path) -> None:
    layer = three()
    layer.to_file(town.parent / "hydrants.gpkg")


def _other_ground(town: Path) -> None:
    write_ground(town.parent / "after.tif", 100.6)


def _other_policy(town: Path) -> None:
    town.write_text(toml_text({**plan_values(), "policy": {"confidence": 0.8}}))


@pytest.mark.parametrize(
    ("change", "named"),
    [(_other_hydrant, "hydrants (hydrants.gpkg)"), (_other_ground, "after (after.tif)"), (_other_policy, "the plan")],
)
def test_what_was_kept_for_other_inputs_is_not_used_and_it_is_said_which(
    town: Path, change: Callable[[Path], None], named: str
) -> None:
    cut_short(town)
    change(town)
    result, _ = resumed(town)
    assert "resumed" not in result.summary
    said = f"batches of an earlier, interrupted run are not used: {named} changed since"
    assert said in result.summary["warnings"]
    same(result.assessment.decision, pipeline.compute(Plan.load(town)).assessment.decision)


@pytest.mark.parametrize("how", ["cut", "flipped", "empty", "other"])
def test_a_damaged_batch_is_worked_again_and_it_is_said(town: Path, how: str) -> None:
    cut_short(town)
    path = kept(town)[1]
    content = path.read_bytes()
    flipped = bytearray(content)
    flipped[len(flipped) // 2] ^= 1
    path.write_bytes({"cut": content[:-9], "flipped": bytes(flipped), "empty": b"", "other": b"\x80\x04K\x01."}[how])
    result, worked = resumed(town)
    assert worked == 9
    said = "1 batches that an interrupted run has kept are damaged, and are worked again"
    assert said in result.summary["warnings"]


def test_damaged_facts_make_all_of_it_go(town: Path) -> None:
    cut_short(town)
    (kept(town)[0].parent / "facts.json").write_bytes(b"{}")
    result, worked = resumed(town)
    assert worked == 12
    assert "batches of an earlier, interrupted run are not used: they are damaged" in result.summary["warnings"]


def test_a_cache_that_cannot_be_written_to_is_said_and_the_run_goes_on(
    town: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    (tmp_path / "file").write_text("")
    monkeypatch.setenv("GRADECHECK_CACHE", str(tmp_path / "file"))
    result, worked = resumed(town)
    assert worked == 12
    assert [w for w in result.summary["warnings"] if w.startswith("finished batches could not be kept in ")]


def test_a_short_run_keeps_nothing(town: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(resuming, "KEEP_AFTER", 20.0)
    with pytest.raises(KeyboardInterrupt) as stopped:
        pipeline.run(Plan.load(town), spread=Stopping(4))
    assert not isinstance(stopped.value, Interrupted)
    assert not kept(town)


def test_a_crash_after_the_batches_costs_none_of_them(town: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def crash(*_: Any, **__: Any) -> None:
        raise MemoryError

    with monkeypatch.context() as patch:
        patch.setattr(pipeline, "write_report", crash)
        with pytest.raises(MemoryError):
            pipeline.run(Plan.load(town))
    assert not (town.parent / "out").exists()
    assert resumed(town)[1] == 0


def test_ctrl_c_in_a_terminal_leaves_no_litter_and_says_what_was_kept(tmp_path: Path) -> None:
    """The command itself, stopped by the signal that a terminal sends."""
    rng = np.random.default_rng(9)
    count = 20_000
    places = [tuple(p) for p in rng.uniform(0, 100, (count, 2)).tolist()]
    columns = {"asset_id": [f"H-{k}" for k in range(count)], "flange_in": rng.uniform(0, 12, count).round(2)}
    hydrants(columns, places, CRS).to_file(tmp_path / "hydrants.gpkg")
    write_grounds(tmp_path)
    (tmp_path / "plan.toml").write_text(toml_text(plan_values(output={"sheets": [], "report_rows": 100})))
    code = (
        "import sys; from gradecheck import measurement, resuming\n"
        "resuming.KEEP_AFTER = 0.0\n"
        "measurement.measure.__defaults__ = (*measurement.measure.__defaults__[:-1], 200)\n"
        "import signal; signal.signal(signal.SIGINT, signal.default_int_handler)\n"  # background jobs may ignore it
        "import time; real = measurement.judge\n"
        "measurement.judge = lambda *given: (time.sleep(0.03), real(*given))[1]\n"
        "from gradecheck.cli import main; sys.argv = ['gradecheck', 'run', 'plan.toml']; main()"
    )
    environment = {**os.environ, "GRADECHECK_CACHE": str(tmp_path / "cache")}
    command = [sys.executable, "-c", code]
    run = subprocess.Popen(command, cwd=tmp_path, env=environment, stdout=subprocess.PIPE, stderr=subprocess.PIPE,
                           text=True)  # fmt: skip
    until = time.monotonic() + 60
    while len(list((tmp_path / "cache").glob("batches/*/*.batch"))) < 3 and time.monotonic() < until:
        time.sleep(0.02)
    run.send_signal(signal.SIGINT)
    _, words = run.communicate(timeout=60)
    assert run.returncode == 130, words
    kept = len(list((tmp_path / "cache").glob("batches/*/*.batch")))
    assert f"nothing was written, the former files are as they were; {kept} of 100 finished batches are kept" in words
    assert not (tmp_path / "out").exists()
    done = subprocess.run(command, cwd=tmp_path, env=environment, capture_output=True, text=True, check=True)
    assert f"{kept} of 100 batches were kept from an interrupted run" in " ".join(done.stdout.split())
    assert not list((tmp_path / "cache").glob("batches/*/*"))
