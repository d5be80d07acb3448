"""Progress for people at a terminal: hydrants, blocks of ground, and the time that is left."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from gradecheck.measurement import Progress


@contextmanager
def bars(silent: bool) -> Iterator[Progress]:
    """A bar on standard error after one second, and none where that is not a terminal."""
    from tqdm import tqdm

    form = "{desc}: {n_fmt}/{total_fmt} hydrants{postfix} [{elapsed}]"
    shown: dict[str, Any] = {}
    seen: Counter[str] = Counter()

    def show(what: str, done: int, of: int, blocks: int = 0, of_blocks: int = 0) -> None:
        if what not in shown:
            shown[what] = tqdm(desc=what, total=of, delay=1, leave=False, disable=silent or None, bar_format=form)
        bar = shown[what]
        seen[what] += blocks
        if of_blocks and not bar.disable:
            # Fetching blocks is what takes time, wherever the hydrants stand: the time left goes by them.
            share = seen[what] / of_blocks
            left = bar.format_interval(bar.format_dict["elapsed"] * (1 / share - 1)) if share else "?"
            bar.set_postfix_str(f"{seen[what]}/{of_blocks} blocks of ground, {left} left", refresh=False)
        bar.update(done)

    try:
        yield show
    finally:
        for bar in shown.values():
            bar.close()
