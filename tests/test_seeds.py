"""Every seed of the fuzzing, and every input that ever broke a reader, ends well or with findings."""

from __future__ import annotations

from pathlib import Path

import pytest

from tests.hard.readers import READERS, SEEDS, read

FILES = sorted(path for name in READERS for path in (SEEDS / name).iterdir())


@pytest.mark.parametrize("path", FILES, ids=lambda p: f"{p.parent.name}-{p.name}")
def test_no_seed_breaks_its_reader(path: Path) -> None:
    taken = read(path.parent.name, path.read_bytes())
    assert taken or path.name.startswith(("found-", "odd"))


@pytest.mark.parametrize("name", READERS)
@pytest.mark.parametrize("content", [b"", b"\0" * 100, b"\xff\xfe", b"\xef\xbb\xbf", b"[" * 100_000, b"<" * 100_000])
def test_no_reader_is_broken_by_what_is_no_file_at_all(name: str, content: bytes) -> None:
    assert not read(name, content)
