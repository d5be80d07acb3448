"""Files of our own that may go at any time: each below the digest of what stands in it, and nothing is code."""

from __future__ import annotations

import hashlib
import os
import sys
from contextlib import suppress
from pathlib import Path


def folder() -> Path:
    """Where they are kept: GRADECHECK_CACHE, else the platform's place for such files."""
    own = os.environ.get("GRADECHECK_CACHE")
    if own:
        return Path(own)
    if sys.platform == "win32":
        return Path(os.environ.get("LOCALAPPDATA") or Path.home() / "AppData" / "Local") / "gradecheck" / "cache"
    if sys.platform == "darwin":
        return Path.home() / "Library" / "Caches" / "gradecheck"
    return Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache") / "gradecheck"


def read(path: Path) -> bytes | None:
    """What was kept; None where nothing is. Raises ValueError where it is damaged."""
    try:
        digest, _, content = path.read_bytes().partition(b"\n")
    except OSError:
        return None
    if hashlib.sha256(content).hexdigest().encode() != digest:
        raise ValueError(f"{path.name} is damaged")
    with suppress(OSError):
        path.touch()
    return content


def keep(path: Path, content: bytes) -> None:
    """Keep a file, whole or not at all. Raises OSError."""
    aside = path.with_name(f".{path.name}.{os.getpid()}.new")
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        aside.write_bytes(hashlib.sha256(content).hexdigest().encode() + b"\n" + content)
        aside.replace(path)
    except OSError:
        with suppress(OSError):
            aside.unlink()
        raise
