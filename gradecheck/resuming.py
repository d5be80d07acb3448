"""Batches of a long run kept as they are finished, so that a run that was cut short need not begin anew.

What is kept counts only for the same plan, the same inputs by their digests, the same versions, and a batch of the same
hydrants; anything else is recognised and goes. Short runs keep nothing.
"""

from __future__ import annotations

import hashlib
import json
import shutil
import time
from collections.abc import Callable, Mapping, Sequence
from contextlib import suppress
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any

import pyarrow as pa

from gradecheck import cache, engine, wire
from gradecheck.judging import Batch, Judged, Site
from gradecheck.measurement import Here, Spread

KEEP_AFTER = 20.0
"""Seconds that a run must take before its batches are kept: less is sooner done again than looked up."""
_OLDEST = 30 * 86_400
"""Seconds after which what was kept goes, whoever's it is."""

Facts = Mapping[str, Any]


def nothing_known() -> None:
    """Of no input is anything known, so that nothing is kept."""


class Interrupted(KeyboardInterrupt):
    """A run was stopped while batches were worked. kept: how many of all are kept for the next."""

    def __init__(self, kept: int, of: int):
        super().__init__()
        self.kept, self.of = kept, of


@dataclass(slots=True)
class Keeping:
    """Batches worked by another spread, kept once that takes long; see `measurement.Spread`.

    place: a folder for this plan and output alone. facts: what the inputs, the plan and the versions are, asked once
    and only if needed, since it takes the digest of every input; None where that cannot be told. used, of: batches
    that were taken from what was kept, and all. notes: what must be said aloud.
    """

    place: Path
    facts: Callable[[], Facts | None] = nothing_known
    inner: Spread = field(default_factory=Here)
    fresh: bool = False
    after: float = field(default_factory=lambda: KEEP_AFTER)
    used: int = 0
    of: int = 0
    notes: list[str] = field(default_factory=list)
    _known: list[Facts | None] = field(default_factory=list)
    _asking: Callable[[], None] | None = None
    _trouble: bool = False

    def judge(self, site: Site, batches: list[Batch], done: Callable[[int, Judged], None]) -> list[Judged]:
        """See `Spread.judge`. Raises Interrupted where it is stopped and batches are kept."""
        started = time.monotonic()
        self.of = len(batches)
        if self.fresh:
            self.forget()  # what is kept from now on must not lie beside what was kept of other inputs
        found = self._former(batches)
        self.used = len(found)
        for number, judged in found.items():
            done(number, judged)
        rest = [number for number in range(len(batches)) if number not in found]
        waiting: dict[int, Judged] = {}

        def finished(place: int, judged: Judged) -> None:
            number = rest[place]
            waiting[number] = judged
            if time.monotonic() - started > self.after:
                self._keep(batches, waiting)
            done(number, judged)

        try:
            new = self.inner.judge(site, [batches[number] for number in rest], finished)
        except KeyboardInterrupt:
            if time.monotonic() - started > self.after or found:
                self._keep(batches, waiting, now=True)
            kept = len(list(self.place.glob("*.batch")))
            if kept:
                raise Interrupted(kept, len(batches)) from None
            raise
        if time.monotonic() - started > self.after:
            self._keep(batches, waiting)  # what comes after may be cut short too
        found.update(zip(rest, new, strict=True))
        return [found[number] for number in range(len(batches))]

    def forget(self) -> None:
        """The run is whole: nothing of it is needed any more."""
        shutil.rmtree(self.place, ignore_errors=True)

    def _former(self, batches: Sequence[Batch]) -> dict[int, Judged]:
        """What an earlier run kept of these batches."""
        _prune(self.place.parent)
        if not self.place.is_dir():
            return {}
        try:
            said = json.loads(cache.read(self.place / "facts.json") or b"null")
        except ValueError:
            said = None
        now = self._facts()
        if said is None or now is None or said != json.loads(json.dumps(now)):
            what = _difference(said, now)
            self.notes.append(f"batches of an earlier, interrupted run are not used: {what}")
            self.forget()
            return {}
        found, damaged = {}, 0
        for number, batch in enumerate(batches):
            try:
                content = cache.read(self.place / _name(batch))
                if content is not None:
                    found[number] = wire.judged(pa.ipc.open_stream(content).read_all(), batch.rows)
            except (ValueError, KeyError, TypeError, pa.ArrowException):
                damaged += 1
        if damaged:
            self.notes.append(f"{damaged} batches that an interrupted run has kept are damaged, and are worked again")
        return found

    def _keep(self, batches: Sequence[Batch], waiting: dict[int, Judged], now: bool = False) -> None:
        """Put batches aside once the digests are known; where that fails, the run goes on without, and says so."""
        if not self._known and not self._trouble:
            if self._asking is None:
                self._asking = engine.later(self._ask)
            if now or engine.threads() == 1:
                self._asking()
            if not self._known:
                return
        if self._trouble or self._known == [None]:
            waiting.clear()
            return
        try:
            if not (self.place / "facts.json").exists():
                cache.keep(self.place / "facts.json", json.dumps(self._facts()).encode())
            while waiting:
                number, judged = waiting.popitem()
                sink = pa.BufferOutputStream()
                table = wire.table(judged)
                with pa.ipc.new_stream(sink, table.schema) as stream:
                    stream.write_table(table)
                cache.keep(self.place / _name(batches[number]), sink.getvalue().to_pybytes())
        except OSError as error:
            self._trouble = True
            why = error.strerror or type(error).__name__
            self.notes.append(f"finished batches could not be kept in {self.place.parent.as_posix()} ({why})")
            self.forget()

    def _ask(self) -> None:
        self._known.append(self.facts())

    def _facts(self) -> Facts | None:
        if not self._known:
            self._ask()
        return self._known[0]


def place_of(plan: str, output: str) -> Path:
    """The folder of a plan and its output folder, by their full paths."""
    return cache.folder() / "batches" / hashlib.sha256(f"{plan}\0{output}".encode()).hexdigest()[:32]


def _name(batch: Batch) -> str:
    """A file for a batch of just these hydrants."""
    digest = hashlib.sha256(json.dumps(batch.roads).encode())
    for one in fields(batch):
        if one.name != "roads":
            values = getattr(batch, one.name)
            digest.update(f"{one.name}{values.dtype.str}{values.shape}".encode())
            digest.update(values.tobytes())
    return f"{digest.hexdigest()}.batch"


def _difference(said: Any, now: Facts | None) -> str:
    """In words what has changed since."""
    if said is None:
        return "they are damaged"
    if now is None:
        return "not every input has a digest"
    then = said if isinstance(said, dict) else {}
    changed = [name for name in now if then.get(name) != json.loads(json.dumps(now[name]))]
    return f"{' and '.join(changed) or 'the inputs'} changed since"


def _prune(place: Path) -> None:
    """What nobody came back for goes."""
    with suppress(OSError):
        for folder in place.iterdir():
            if folder.is_dir() and time.time() - folder.stat().st_mtime > _OLDEST:
                shutil.rmtree(folder, ignore_errors=True)
