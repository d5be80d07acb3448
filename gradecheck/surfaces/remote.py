"""Rasters on a network: how GDAL is to ask for them, what their servers say of them, and why they cannot be had."""

from __future__ import annotations

import base64
import os
import threading
from collections.abc import Iterable, Sequence
from concurrent.futures import ThreadPoolExecutor
from contextlib import suppress
from dataclasses import asdict, dataclass
from http.client import HTTPException
from typing import Any
from urllib.error import HTTPError, URLError
from urllib.parse import unquote, urlsplit, urlunsplit
from urllib.request import Request, urlopen

import rasterio
from rasterio.errors import RasterioError

from gradecheck import locations
from gradecheck.errors import Finding

_OPTIONS = {
    # No listing of the folder, no asking for files beside: seven requests fewer for each tile.
    "GDAL_DISABLE_READDIR_ON_OPEN": "EMPTY_DIR",
    # The header in one request, also that of a file with some thousand blocks.
    "GDAL_INGESTED_BYTES_AT_OPEN": "32768",
    # GDAL reads whole chunks, and doubles what it reads in a row up to 128 of them: with 16 KB, its default, up to four
    # fifths more than the blocks asked for, with 1 KB one per cent (tests.bench.tiles). A process keeps to its first.
    "CPL_VSIL_CURL_CHUNK_SIZE": "1024",
    "GDAL_HTTP_CONNECTTIMEOUT": "10",
    "GDAL_HTTP_TIMEOUT": "120",
    # A line that gives less than that for that long is dead.
    "GDAL_HTTP_LOW_SPEED_TIME": "15",
    "GDAL_HTTP_LOW_SPEED_LIMIT": "1000",
    "GDAL_HTTP_MAX_RETRY": "2",
    "GDAL_HTTP_RETRY_DELAY": "0.5",
}
NO_PROGRAMS = {"GDAL_VRT_ENABLE_PYTHON": "NO", "GDAL_VRT_PYTHON_TRUSTED_MODULES": ""}
"""A raster may not bring a program with it, whatever the environment sets."""
HERE = {"GDAL_DISABLE_READDIR_ON_OPEN": "TRUE", **NO_PROGRAMS}
"""For files of this machine: the folder, which may hold thousands, is not listed for each of them; files beside it
are asked for by name."""
NOWHERE = {"CPL_VSIL_CURL_ALLOWED_FILENAME": "/nowhere", **HERE}
"""Keeps GDAL from asking any server, whatever a file says."""
AT_ONCE = 16
"""Servers are asked for so many files at a time: nearly all of it is waiting."""
_MAY_STILL_OPEN = (401, 403, 405)
"""GDAL may know of a key that this module does not, or the server answers what it is asked otherwise."""


def options() -> dict[str, str]:
    """GDAL's settings for rasters on a network; what the environment sets goes first."""
    return {key: value for key, value in _OPTIONS.items() if key not in os.environ} | NO_PROGRAMS


def reading(inside: bool) -> dict[str, str]:
    """The settings to read with. inside: where files of this machine are read too, whose neighbours may matter."""
    return options() | HERE if inside else options()


@dataclass(frozen=True, slots=True)
class Said:
    """What a server says of a file. name: GDAL's. size: bytes, -1 unknown. note: in words, where nothing is known.

    trouble: why it cannot be had, "" for nothing; final: whether that is so also for GDAL.
    """

    name: str
    size: int = -1
    etag: str = ""
    modified: str = ""
    note: str = ""
    trouble: str = ""
    final: bool = False

    @property
    def firm(self) -> bool:
        """Whether another version of the file would be noticed."""
        return bool(self.etag or self.modified) and self.size >= 0

    @property
    def facts(self) -> tuple[int, str, str]:
        """What tells one version from another."""
        return self.size, self.etag, self.modified

    def as_dict(self) -> dict[str, Any]:
        """For run.json: what is known."""
        values = asdict(self)
        known = {"etag": values["etag"], "last_modified": values["modified"], "note": values["note"]}
        return {"bytes": self.size if self.size >= 0 else None, **{k: v for k, v in known.items() if v}}


def ask(name: str) -> Said:
    """Ask the server of a file for its first byte: that tells its size, its version, and whether it serves parts."""
    url = locations.url_of(name)
    if url is None:
        return Said(name, note="size and version are not known: its store is asked by GDAL alone")
    wait = float(os.environ.get("GDAL_HTTP_CONNECTTIMEOUT", 10))
    at = urlsplit(url)
    host = at.netloc.rpartition("@")[2]
    request = Request(urlunsplit(at._replace(netloc=host, fragment="")), headers={"Range": "bytes=0-0"})
    if at.username:
        words = f"{unquote(at.username)}:{unquote(at.password or '')}".encode()
        request.add_header("Authorization", "Basic " + base64.b64encode(words).decode())
    try:
        with urlopen(request, timeout=wait) as answer:
            if answer.status != 206:
                what = "its server does not serve parts of files (range requests)"
                return Said(name, trouble=what, final=True)
            size = answer.headers.get("Content-Range", "").rpartition("/")[2]
            return Said(
                name,
                int(size) if size.isdecimal() else -1,
                answer.headers.get("ETag", ""),
                answer.headers.get("Last-Modified", ""),
            )
    except HTTPError as error:
        error.close()
        words_of = {404: "there is no such file", 410: "there is no such file"}
        what = f"{words_of.get(error.code, 'its server refuses it')} (HTTP {error.code})"
        return Said(name, note=what, trouble=what, final=error.code not in _MAY_STILL_OPEN and error.code < 500)
    except TimeoutError:
        return Said(name, trouble=f"{host} does not answer within {wait:g} s", final=True)
    except (URLError, HTTPException, OSError, ValueError) as error:
        reason = getattr(error, "reason", error)
        slow = isinstance(reason, TimeoutError)
        said = f"does not answer within {wait:g} s" if slow else f"cannot be reached ({_plain(reason)})"
        return Said(name, trouble=f"{host} {said}", final=not isinstance(error, HTTPException))


def ask_all(names: Iterable[str]) -> tuple[Said, ...]:
    """Ask for several files, some at once."""
    with ThreadPoolExecutor(AT_ONCE, thread_name_prefix="gradecheck-ask") as pool:
        return tuple(pool.map(ask, names))


def finding(shown: str, said: Said) -> Finding:
    """Why a file cannot be had, and what to do about it."""
    if "range" in said.trouble:
        mend = "download it and name the file, or have it served by one that does"
    elif "refuses" in said.trouble:
        mend = "give GDAL the key that it needs, by its settings in the environment"
    else:
        mend = "check the address and the network, then run again"
    return Finding(shown, said.trouble, mend)


def _plain(reason: object) -> str:
    text = getattr(reason, "strerror", None) or str(reason) or type(reason).__name__
    return locations.shown(str(text).splitlines()[0][:100])


_known: dict[str, tuple[int, str, str] | None] = {}
_lock = threading.Lock()


_PATIENCE = 120.0
"""Seconds lost to one host's failures from which on it is not asked any more."""
_lost: dict[str, float] = {}


def _host(name: str) -> str:
    url = locations.url_of(name)
    return urlsplit(url).netloc if url is not None else "/".join(name.split("/")[:3])


def waited_in_vain(name: str, seconds: float) -> None:
    """Note what a failure took; of a file of this machine it does not matter."""
    if name.startswith("/vsi"):
        with _lock:
            _lost[_host(name)] = _lost.get(_host(name), 0.0) + seconds


def given_up(name: str) -> bool:
    """Whether the host of a file has cost so much waiting that what it still holds counts as unreadable at once."""
    return bool(_lost) and name.startswith("/vsi") and _lost.get(_host(name), 0.0) > _PATIENCE


def remember(said: Sequence[Said]) -> None:
    """Have GDAL forget what it keeps of files that are not, or may not be, the ones it read before."""
    for one in said:
        if not one.trouble and _host(one.name) in _lost:
            with _lock:
                _lost.pop(_host(one.name), None)  # it answers again
        with _lock:
            first = one.name not in _known
            same = one.firm and _known.get(one.name) == one.facts
            _known[one.name] = one.facts
        if not first and not same and one.name.startswith("/vsi"):
            forget(one.name)


def forget(name: str) -> None:
    """Have GDAL drop what it keeps of a file; it does so for a file of that setting when that is closed."""
    with rasterio.Env(**options(), CPL_VSIL_CURL_NON_CACHED=name), suppress(RasterioError):
        rasterio.open(name).close()
