"""A file server over HTTP/1.1 that counts what it is asked, may be slow, and fails as told; on this machine alone.

Serves the files of a folder, whole or by one range, on keep-alive connections. It is a process of its own, since GDAL
may wait for an answer while it holds Python's lock: `with RangeServer(folder) as server: server.url("dem.tif")`.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import time
from collections.abc import Mapping, Sequence
from contextlib import suppress
from dataclasses import asdict, dataclass, field
from email.utils import formatdate
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from types import TracebackType
from typing import Any, Self
from urllib.parse import unquote, urlsplit
from urllib.request import Request, urlopen

_RANGE = re.compile(r"bytes=(\d+)-(\d*)$")
_CONTROL = "/-/"


@dataclass(frozen=True, slots=True)
class Asked:
    """One request. span: first and last byte asked for, None for the whole. sent: bytes of the body."""

    method: str
    path: str
    span: tuple[int, int] | None
    status: int
    sent: int


@dataclass(frozen=True, slots=True)
class Failure:
    """What goes wrong, and when.

    how: a status such as "404"; "cut": half of the body, then the line is dropped; "drop": no answer at all; "hang": no
    answer for a minute. path: the end of the paths that it befalls. past: only ranges that begin there or later. after:
    how many such requests are answered well before; times: how many are not, None for all.
    """

    how: str
    path: str = ""
    method: str = "GET"
    past: int = 0
    after: int = 0
    times: int | None = None


@dataclass(slots=True)
class RangeServer:
    """Serve `folder` while the context lasts. latency: seconds before each answer, bandwidth: bytes a second and line.

    ranges, heads, etags, dates: whether it serves ranges and answers HEAD, says ETag and Last-Modified.
    """

    folder: Path
    latency: float = 0.0
    bandwidth: float | None = None
    failures: Sequence[Failure] = ()
    ranges: bool = True
    heads: bool = True
    etags: bool = True
    dates: bool = True
    port: int = 0
    _process: Any = field(default=None, repr=False)

    def __enter__(self) -> Self:
        self._process = subprocess.Popen(
            [sys.executable, str(Path(__file__).resolve()), str(self.folder)], stdout=subprocess.PIPE, text=True
        )
        self.port = int(self._process.stdout.readline())
        self.set()
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, at: TracebackType | None) -> None:
        self._process.kill()
        self._process.wait()
        self._process.stdout.close()

    def set(self, **changes: Any) -> None:
        """Change how it answers from now on, and count from nought."""
        for name, value in changes.items():
            setattr(self, name, value)
        names = ("latency", "bandwidth", "ranges", "heads", "etags", "dates")
        rules = {"failures": [asdict(f) for f in self.failures]}
        self._tell("set", {name: getattr(self, name) for name in names} | rules)

    def url(self, name: str) -> str:
        """The address of a file."""
        return f"http://127.0.0.1:{self.port}/{name}"

    def forget(self) -> None:
        """Count from nought."""
        self._tell("forget")

    @property
    def asked(self) -> list[Asked]:
        """All that was asked since it counts."""
        told = self._tell("asked")["asked"]
        return [Asked(m, p, None if s is None else (s[0], s[1]), status, sent) for m, p, s, status, sent in told]

    @property
    def gets(self) -> list[Asked]:
        """The GET requests."""
        return [a for a in self.asked if a.method == "GET"]

    @property
    def connections(self) -> int:
        """Lines that were opened since it counts."""
        return int(self._tell("asked")["connections"])

    def _tell(self, what: str, values: Mapping[str, Any] | None = None) -> Any:
        body = json.dumps(values or {}).encode()
        with urlopen(Request(self.url(_CONTROL[1:] + what), data=body, method="POST"), timeout=20) as answer:
            return json.load(answer)


class _Server(ThreadingHTTPServer):
    """The process's own side: what is served, how, and what was asked."""

    daemon_threads = True
    request_queue_size = 128

    def __init__(self, folder: Path) -> None:
        super().__init__(("127.0.0.1", 0), _Handler)
        self.folder = folder
        self.how: dict[str, Any] = {}
        self.met: list[int] = []
        self.asked: list[tuple[str, str, tuple[int, int] | None, int, int]] = []
        self.connections = 0

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Lines that the other side drops are no news."""

    def told(self, what: str, values: Mapping[str, Any]) -> dict[str, Any]:
        """Do what the test says."""
        if what == "set":
            self.how, self.met = dict(values), [0] * len(values["failures"])
        if what in ("set", "forget"):
            self.asked.clear()
            self.connections = 0
        return {"asked": self.asked, "connections": self.connections}

    def failure(self, method: str, path: str, span: tuple[int, int] | None) -> str | None:
        """How this request fails."""
        for number, rule in enumerate(self.how["failures"]):
            past = span is None or span[0] >= rule["past"]
            if method != rule["method"] or not path.endswith(rule["path"]) or not past:
                continue
            self.met[number] += 1
            over = rule["times"] is not None and self.met[number] > rule["after"] + rule["times"]
            if self.met[number] > rule["after"] and not over:
                return str(rule["how"])
        return None


class _Handler(BaseHTTPRequestHandler):
    protocol_version = "HTTP/1.1"
    disable_nagle_algorithm = True
    server: _Server

    def do_HEAD(self) -> None:
        self._answer()

    def do_GET(self) -> None:
        self._answer()

    def do_POST(self) -> None:
        """From the test."""
        values = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
        body = json.dumps(self.server.told(self.path.removeprefix(_CONTROL), values)).encode()
        self.send_response(200)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def log_message(self, format: str, *args: Any) -> None:
        """Silent."""

    def _answer(self) -> None:
        how = self.server.how
        if not getattr(self, "counted", False):
            self.counted = True
            self.server.connections += 1
        time.sleep(how["latency"])
        path = unquote(urlsplit(self.path).path).lstrip("/")
        match = _RANGE.match(self.headers.get("Range", ""))
        span = None if match is None else (int(match[1]), int(match[2]) if match[2] else -1)
        failure = self.server.failure(self.command, path, span)
        if self.command == "HEAD" and not how["heads"]:
            failure = "403"
        file = self.server.folder / path
        if failure in ("drop", "hang"):
            self._note(span, 0, 0)
            time.sleep(60 if failure == "hang" else 0)
            self.close_connection = True
        elif failure is not None and failure != "cut":
            self._plain(span, int(failure))
        elif not file.is_file():
            self._plain(span, 404)
        else:
            self._file(file, span, cut=failure == "cut")

    def _plain(self, span: tuple[int, int] | None, status: int) -> None:
        body = b"" if self.command == "HEAD" else b"no\n"
        self._note(span, status, len(body))
        self.send_response(status)
        self.send_header("Content-Length", str(len(body)))
        self.end_headers()
        self.wfile.write(body)

    def _file(self, file: Path, span: tuple[int, int] | None, cut: bool) -> None:
        how, stat = self.server.how, file.stat()
        size, status, first, last = stat.st_size, 200, 0, stat.st_size - 1
        if span is not None and how["ranges"]:
            first, last = span[0], size - 1 if span[1] < 0 else min(span[1], size - 1)
            status = 206
            if first >= size:
                self._plain(span, 416)
                return
        with file.open("rb") as data:
            data.seek(first)
            body = data.read(last - first + 1) if self.command == "GET" else b""
        body = body[: len(body) // 2] if cut else body
        self._note(span, status, len(body))
        self.send_response(status)
        if status == 206:
            self.send_header("Content-Range", f"bytes {first}-{last}/{size}")
        if how["ranges"]:
            self.send_header("Accept-Ranges", "bytes")
        if how["etags"]:
            self.send_header("ETag", f'"{stat.st_mtime_ns:x}-{size:x}"')
        if how["dates"]:
            self.send_header("Last-Modified", formatdate(stat.st_mtime, usegmt=True))
        self.send_header("Content-Type", "application/octet-stream")
        self.send_header("Content-Length", str(last - first + 1))
        self.end_headers()
        if how["bandwidth"]:
            time.sleep(len(body) / how["bandwidth"])
        with suppress(OSError):
            self.wfile.write(body)
        self.close_connection = self.close_connection or cut

    def _note(self, span: tuple[int, int] | None, status: int, sent: int) -> None:
        self.server.asked.append((self.command, self.path, span, status, sent))


def main() -> None:
    """Serve the folder that is named until killed; the port is printed first."""
    server = _Server(Path(sys.argv[1]))
    print(server.server_address[1], flush=True)
    server.serve_forever(poll_interval=0.05)


if __name__ == "__main__":
    main()
