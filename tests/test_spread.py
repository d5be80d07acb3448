"""However the work is spread, the answer is the same to the last bit; a cluster that cannot do it says so."""

from __future__ import annotations

import itertools
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import fields, is_dataclass
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from gradecheck import Plan, cluster, compute, engine, measurement, wire
from gradecheck.assessment import sampled_of
from gradecheck.errors import PlanError
from gradecheck.inputs import open_inputs
from gradecheck.judging import Judged
from gradecheck.measurement import measure
from gradecheck.surfaces import blocks
from tests.range_server import RangeServer

SAMPLE = Path(__file__).parent.parent / "sample_data"
PLANS = ("plan", "yarrow", "bramble", "quince")


def same(a: Any, b: Any, at: str = "") -> None:
    """Equal to the bit, all the way down; NaN is NaN."""
    if is_dataclass(a):
        assert type(a) is type(b), at
        for part in fields(a):
            same(getattr(a, part.name), getattr(b, part.name), f"{at}.{part.name}")
    elif isinstance(a, np.ndarray):
        assert a.dtype == b.dtype, at
        assert a.tobytes() == b.tobytes(), at
    elif isinstance(a, tuple | list):
        assert len(a) == len(b), at
        for k, (one, other) in enumerate(zip(a, b, strict=True)):
            same(one, other, f"{at}[{k}]")
    else:
        assert a == b, at


def judged(name: str, size: int = 8192, spread: measurement.Spread | None = None) -> Judged:
    """All that is looked at of a sample plan, in batches of a size."""
    inputs = open_inputs(Plan.load(SAMPLE / f"{name}.toml"))
    job, sampled = sampled_of(inputs)
    return measure(inputs, np.flatnonzero(sampled).astype(np.int64), job < 0, spread=spread, size=size)


# -- Orders and batches ---------------------------------------------------------------------------------------------


def test_a_sweep_takes_every_point_once_and_a_cell_in_one_go() -> None:
    rng = np.random.default_rng(5)
    x, y = rng.uniform(0, 5000, 3000), rng.uniform(0, 4000, 3000)
    order, cell = engine.sweep(x, y, (300.0, 200.0))
    assert sorted(order.tolist()) == list(range(3000))
    runs = [number for number, _ in itertools.groupby(cell.tolist())]
    assert len(runs) == len(set(runs))
    corner = np.stack([(x - x.min()) // 300, (y.max() - y) // 200], axis=1)[order]
    assert len({(c, *p) for c, p in zip(cell.tolist(), corner.tolist(), strict=True)}) == len(set(cell.tolist()))


def test_neighbouring_cells_of_a_sweep_come_soon_after_one_another() -> None:
    """Who keeps the last three rows of a band still has a cell's upper and left neighbours when it comes."""
    across, down = (v.ravel() for v in np.meshgrid(np.arange(40.0), np.arange(40.0)))
    order, _ = engine.sweep(across + 0.5, 40 - down - 0.5, (1.0, 1.0))
    when = np.empty(1600, dtype=int)
    when[order] = np.arange(1600)
    when = when.reshape(40, 40)
    assert (when[1:] - when[:-1]).max() == 10
    assert (np.abs(when[:, 1:] - when[:, :-1]) == 1).mean() > 0.9


@pytest.mark.parametrize(("most", "cells"), [(1, 100), (7, 100), (1000, 3), (1000, 1000)])
def test_batches_are_all_of_an_order_and_none_is_too_large(most: int, cells: int) -> None:
    rng = np.random.default_rng(6)
    order, cell = engine.sweep(rng.uniform(0, 90, 500), rng.uniform(0, 90, 500), (10.0, 10.0))
    parts = list(engine.batches(order, cell, most, cells))
    assert np.concatenate([members for members, _ in parts]).tolist() == order.tolist()
    assert max(len(members) for members, _ in parts) <= most
    seen = dict(zip(order.tolist(), cell.tolist(), strict=True))
    assert max(len({seen[k] for k in members.tolist()}) for members, _ in parts) <= cells
    assert sum(fresh for _, fresh in parts) == len(set(cell.tolist()))


def test_nobody_is_one_empty_batch() -> None:
    order, cell = engine.sweep(np.zeros(0), np.zeros(0))
    assert [(len(members), fresh) for members, fresh in engine.batches(order, cell, 5, 5)] == [(0, 0)]


def test_every_piece_is_done_once_and_the_first_error_is_raised(monkeypatch: pytest.MonkeyPatch) -> None:
    done: list[int] = []
    engine.each(done.append, range(50))
    assert sorted(done) == list(range(50))

    def fail(piece: int) -> None:
        engine.each(done.append, [piece])  # what a piece asks for is done on its own thread: no pool waits for itself
        if piece == 3:
            raise KeyError(piece)

    with pytest.raises(KeyError):
        engine.each(fail, range(6))


def test_threads_are_as_many_as_the_environment_says(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("GRADECHECK_THREADS", "5")
    assert engine.threads() == 5
    monkeypatch.setenv("GRADECHECK_THREADS", "none")
    assert engine.threads() == min(8, len(os.sched_getaffinity(0)))


# -- The same bits --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("name", PLANS)
def test_no_size_of_batches_changes_a_bit(name: str) -> None:
    whole = judged(name)
    for size in (1, 7, 100):
        same(judged(name, size), whole)


@pytest.mark.parametrize("count", ["1", "2", "7"])
def test_no_number_of_threads_changes_a_bit(count: str, monkeypatch: pytest.MonkeyPatch) -> None:
    whole = judged("plan")
    monkeypatch.setenv("GRADECHECK_THREADS", count)
    blocks.clear()
    same(judged("plan"), whole)


@pytest.mark.parametrize("name", PLANS)
def test_what_a_worker_sends_is_what_it_found(name: str) -> None:
    whole = judged(name)
    same(wire.judged(wire.table(whole), whole.rows), whole)


def test_heights_from_an_address_are_those_of_the_file(tmp_path: Path) -> None:
    here = judged("plan")
    text = (SAMPLE / "plan.toml").read_text(encoding="utf-8")
    with RangeServer(SAMPLE) as server:
        text = re.sub(r'raster = \["existing/.*?\]', f"raster = {tiles(server)}", text)
        assert "127.0.0.1" in text
        text = re.sub(r"(?m)^(\[project\].*)$", r"\1\nallow_remote = true", text, count=1)
        for entry in SAMPLE.iterdir():
            if entry.name not in ("plan.toml", "out") and not (tmp_path / entry.name).exists():
                (tmp_path / entry.name).symlink_to(entry)
        (tmp_path / "plan.toml").write_text(text, encoding="utf-8")
        inputs = open_inputs(Plan.load(tmp_path / "plan.toml"))
        job, sampled = sampled_of(inputs)
        there = measure(inputs, np.flatnonzero(sampled).astype(np.int64), job < 0)
    same(there.decision, here.decision)
    for name in ("before", "after", "change", "own_sd", "position_sd"):
        same(getattr(there.change, name), getattr(here.change, name), name)


def tiles(server: RangeServer) -> list[str]:
    """The addresses of the sample's existing ground."""
    return [server.url(f"existing/{name}.tif") for name in ("west", "east")]


# -- A cluster ------------------------------------------------------------------------------------------------------


@contextmanager
def dask(*workers: str) -> Iterator[tuple[str, list[subprocess.Popen[bytes]]]]:
    """A scheduler with workers as processes on the loopback address: (address, the workers)."""
    pytest.importorskip("distributed", reason="a cluster needs the extra gradecheck[cluster]")
    with socket.socket() as free:
        free.bind(("127.0.0.1", 0))
        port = free.getsockname()[1]
    address = f"tcp://127.0.0.1:{port}"
    quiet = {"stdout": subprocess.DEVNULL, "stderr": subprocess.DEVNULL}
    run = [sys.executable, "-m", "dask"]
    started = [
        subprocess.Popen(
            [*run, "scheduler", "--host", "127.0.0.1", "--port", str(port), "--no-dashboard", "--no-jupyter"], **quiet
        )
    ]
    try:
        for name in workers:
            command = [*run, "worker", address, "--nthreads", "1", "--no-dashboard", "--no-nanny", "--name", name]
            started.append(subprocess.Popen([*command, "--host", "127.0.0.1"], **quiet))
        yield address, started[1:]
    finally:
        for process in started:
            process.kill()
            process.wait()


@pytest.mark.parametrize("count", [1, 2])
def test_workers_give_the_same_bits(count: int) -> None:
    pytest.importorskip("distributed", reason="a cluster needs the extra gradecheck[cluster]")
    with cluster.joined(workers=count) as spread:
        for name in PLANS:
            same(judged(name, 20, spread), judged(name))


def test_a_worker_that_is_killed_loses_nothing() -> None:
    whole = judged("plan")
    inputs = open_inputs(Plan.load(SAMPLE / "plan.toml"))
    job, sampled = sampled_of(inputs)
    rows = np.flatnonzero(sampled).astype(np.int64)
    with dask("one", "two") as (address, workers), cluster.joined(address) as spread:
        spread._client.wait_for_workers(2, timeout=60)
        killed = threading.Event()

        def progress(what: str, done: int, of: int, blocks: int = 0, of_blocks: int = 0) -> None:
            if not killed.is_set():
                workers[0].send_signal(signal.SIGKILL)
                killed.set()

        found = measure(inputs, rows, job < 0, progress, spread, size=2)
        assert killed.is_set()
        workers[0].wait(timeout=30)
        assert len(spread._client.scheduler_info()["workers"]) == 1
    same(found, whole)


def test_the_command_gives_the_same_layer_on_a_cluster(tmp_path: Path) -> None:
    here = compute(Plan.load(SAMPLE / "plan.toml"))
    with dask("one") as (address, _):
        command = [sys.executable, "-m", "gradecheck", "run", str(SAMPLE / "plan.toml"), "--out", str(tmp_path / "o")]
        subprocess.run([*command, "--quiet", "--cluster", address], check=True, timeout=240)
    import geopandas as gpd

    there = gpd.read_file(tmp_path / "o" / "gradecheck.gpkg", layer="hydrants")
    assert there["action"].tolist() == here.hydrants["action"].tolist()
    assert there["confidence"].dropna().tolist() == here.hydrants["confidence"].dropna().tolist()


def test_nobody_at_an_address_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="a cluster needs the extra gradecheck[cluster]")
    monkeypatch.setattr(cluster, "_WAIT", 1)
    with (
        pytest.raises(PlanError, match="no scheduler answers at tcp"),
        cluster.joined("tcp://127.0.0.1:9"),
    ):
        pass
    with pytest.raises(PlanError, match="no scheduler answers"), cluster.joined("nonsense"):
        pass


def test_a_scheduler_without_workers_is_one_message(monkeypatch: pytest.MonkeyPatch) -> None:
    with dask() as (address, _):
        time.sleep(3)
        monkeypatch.setattr(cluster, "_WAIT", 2)
        with pytest.raises(PlanError, match="has no worker"), cluster.joined(address):
            pass


def test_a_worker_of_another_version_is_refused(monkeypatch: pytest.MonkeyPatch) -> None:
    pytest.importorskip("distributed", reason="a cluster needs the extra gradecheck[cluster]")
    with cluster.joined(workers=1) as spread:
        monkeypatch.setattr(cluster, "__version__", "0.0.0")
        with pytest.raises(PlanError, match=r"runs gradecheck .*, here it is 0\.0\.0"):
            judged("plan", spread=spread)


def test_a_worker_that_does_not_find_the_files_is_refused(tmp_path: Path) -> None:
    pytest.importorskip("distributed", reason="a cluster needs the extra gradecheck[cluster]")
    import shutil

    shutil.copytree(SAMPLE, tmp_path / "town", ignore=shutil.ignore_patterns("out*"))
    inputs = open_inputs(Plan.load(tmp_path / "town" / "plan.toml"))
    job, sampled = sampled_of(inputs)
    for tile in (tmp_path / "town" / "existing").iterdir():
        tile.rename(tmp_path / tile.name)
    with cluster.joined(workers=1) as spread, pytest.raises(PlanError, match="does not find the file"):
        measure(inputs, np.flatnonzero(sampled).astype(np.int64), job < 0, spread=spread)


def test_without_dask_it_is_said_how_to_install_it(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "distributed", None)
    with pytest.raises(PlanError, match="needs Dask") as told, cluster.joined(workers=1):
        pass
    assert "gradecheck[cluster]" in told.value.findings[0].lines


def test_a_cluster_and_workers_of_ones_own_are_not_both_had() -> None:
    command = [sys.executable, "-m", "gradecheck", "run", "x.toml", "--cluster", "tcp://h:1", "--workers", "2"]
    told = subprocess.run(command, capture_output=True, text=True, timeout=120)
    assert told.returncode == 2
    assert "both --cluster and --workers" in told.stderr


def test_progress_counts_hydrants_and_blocks_to_the_end() -> None:
    inputs = open_inputs(Plan.load(SAMPLE / "plan.toml"))
    job, sampled = sampled_of(inputs)
    rows = np.flatnonzero(sampled).astype(np.int64)
    told: list[tuple[int, int, int, int]] = []
    measure(inputs, rows, job < 0, lambda _, *counts: told.append(counts), size=10)  # type: ignore[arg-type]
    assert sum(done for done, *_ in told) == len(rows) == told[0][1]
    assert sum(blocks_ for *_, blocks_, _ in told) == told[0][3]
    assert len(told) > 3
