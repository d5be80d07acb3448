"""Batches worked by processes of a Dask cluster, here or elsewhere; the answer is the same, to the bit.

What all hydrants share goes to each worker once; workers open rasters from their paths or addresses themselves and keep
them open. Results come back as Arrow tables. What a lost worker had is done again by another.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from typing import Any

import pyarrow as pa

from gradecheck import __version__, wire
from gradecheck.errors import Finding, PlanError
from gradecheck.judging import Batch, Judged, Site, judge
from gradecheck.surfaces import files_changed

_WAIT = 20
"""Seconds that a scheduler, and then a first worker, is waited for."""
_TASKS_A_WORKER = 8
"""So many runs of batches for each worker, so that none waits long for the last, and neighbours stay together."""
_INSTALL = "install it with: pip install 'gradecheck[cluster]'"


class Cluster:
    """Workers of a scheduler; see `measurement.Spread`."""

    def __init__(self, client: Any):
        self._client = client

    def judge(self, site: Site, batches: list[Batch], done: Callable[[int, Judged], None]) -> list[Judged]:
        """See `measurement.Spread.judge`. Raises PlanError where workers cannot do it, or were lost too often."""
        from distributed import KilledWorker, as_completed
        from distributed.client import FutureCancelledError

        self._alike()
        # A task of its own, so that a scheduler that loses it with a worker can make it again.
        shared = self._client.submit(_received, site, pure=False)
        workers = max(1, len(self._client.scheduler_info()["workers"]))
        runs = list(_runs(len(batches), workers * _TASKS_A_WORKER))
        asked = {
            self._client.submit(_judged, shared, batches[run.start : run.stop], priority=-run.start, pure=False): run
            for run in runs
        }
        found: dict[int, Judged] = {}
        try:
            for future in as_completed(list(asked), loop=self._client.loop):
                for number, table in zip(asked[future], future.result(), strict=True):
                    found[number] = wire.judged(table, batches[number].rows)
                    done(number, found[number])
        except (KilledWorker, FutureCancelledError, TimeoutError, OSError) as error:
            what = f"workers were lost too often ({str(error).splitlines()[0][:160]})"
            mend = "look at the workers' own output: memory and access to the files above all"
            raise PlanError(Finding("cluster", what, mend)) from None
        finally:
            self._client.cancel([shared, *asked])
        return [found[number] for number in range(len(batches))]

    def _alike(self) -> None:
        """Raises PlanError where a worker runs another version of gradecheck, which might answer otherwise."""
        there = self._client.run(_version)
        other = {address: version for address, version in there.items() if version != __version__}
        if other:
            address, version = next(iter(other.items()))
            what = f"worker {address} runs gradecheck {version or 'not at all'}, here it is {__version__}"
            raise PlanError(Finding("cluster", what, "install the same version on every worker"))


@contextmanager
def joined(address: str | None = None, workers: int | None = None) -> Iterator[Cluster]:
    """The cluster of a scheduler's address, or one of so many worker processes on this machine, ended afterwards.

    Raises PlanError where Dask is not installed, nobody answers at the address, or it has no worker.
    """
    try:
        import dask
        from distributed import Client, LocalCluster
    except ImportError:
        raise PlanError(Finding("cluster", "a cluster needs Dask, which is not installed here", _INSTALL)) from None
    with dask.config.set({"distributed.comm.timeouts.connect": f"{_WAIT}s"}):
        if address is None:
            quiet = {"dashboard_address": None, "silence_logs": 50}
            cluster = LocalCluster(n_workers=workers, threads_per_worker=1, host="127.0.0.1", **quiet)
            with cluster, Client(cluster, set_as_default=False) as client:
                yield Cluster(client)
            return
        try:
            client = Client(address, timeout=_WAIT, set_as_default=False)
        except (OSError, ValueError) as error:
            what = f"no scheduler answers at {address} ({str(error).splitlines()[0][:160]})"
            mend = "start one with `dask scheduler`, and give the address that it prints, such as tcp://10.0.0.5:8786"
            raise PlanError(Finding("--cluster", what, mend)) from None
        with client:
            try:
                client.wait_for_workers(1, timeout=_WAIT)
            except TimeoutError:
                mend = f"start some with `dask worker {address}`, gradecheck installed beside them"
                raise PlanError(Finding("--cluster", f"the scheduler at {address} has no worker", mend)) from None
            yield Cluster(client)


def _runs(batches: int, most: int) -> Iterator[range]:
    """Neighbouring batches, in so many runs at most."""
    step = max(1, -(-batches // most))
    return (range(start, min(start + step, batches)) for start in range(0, batches, step))


def _version() -> str:
    return __version__


def _received(site: Site) -> Site:
    """What is shared, on the worker that will use it. Raises PlanError where its files are not the same there."""
    os.environ["GRADECHECK_THREADS"] = "1"  # the workers are as many as the cores that they may use
    changed = files_changed(site.before, site.after.surface)
    if changed:
        what = f"a worker does not find the file that was opened here: {changed[0]}"
        raise PlanError(Finding("cluster", what, "put the files where every worker reads them under the same path"))
    return site


def _judged(site: Site, batches: Sequence[Batch]) -> list[pa.Table]:
    with _ALONE:
        return [wire.table(judge(site, batch)) for batch in batches]


_ALONE = threading.Lock()
"""A worker with several threads judges one batch at a time too: what surfaces prepare for themselves is not shared."""
