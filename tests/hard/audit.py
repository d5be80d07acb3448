"""The lock file held against a local copy of advisories, by pip-audit.

The copy: a folder, or a zip archive as the OSV project offers it for PyPI, of advisories in the OSV schema, a JSON file
each. pip-audit asks a server; here one of this machine answers it from the copy, as the schema's section "Evaluation"
says. Needs pip-audit, installed by hand.
"""

from __future__ import annotations

import json
import subprocess
import sys
import threading
import zipfile
from collections import defaultdict
from collections.abc import Iterator
from http.server import BaseHTTPRequestHandler, HTTPServer
from pathlib import Path
from typing import Any

from packaging.utils import canonicalize_name
from packaging.version import InvalidVersion, Version

LOCK = Path(__file__).parents[2] / "requirements-dev.lock"
Advisory = dict[str, Any]


def against(copy: Path, lock: Path = LOCK) -> str:
    """What pip-audit says, and of how new a copy. Raises SystemExit where it cannot be asked."""
    known = by_package(copy)
    advisories = {one["id"]: one for several in known.values() for one in several}
    server = HTTPServer(("127.0.0.1", 0), answering(known))
    threading.Thread(target=server.serve_forever, daemon=True).start()
    try:
        said = subprocess.run(
            [
                *(sys.executable, "-m", "pip_audit", "-r", lock, "--require-hashes", "--disable-pip"),
                *("-s", "osv", "--osv-url", f"http://127.0.0.1:{server.server_port}", "--progress-spinner", "off"),
            ],
            capture_output=True,
            text=True,
            check=False,
        )
    finally:
        server.shutdown()
        server.server_close()
    if said.returncode not in (0, 1):
        raise SystemExit(said.stderr)
    newest = max((one.get("modified", "") for one in advisories.values()), default="none")
    return f"{len(advisories)} advisories, the newest of {newest[:10]}: {said.stderr.strip()}\n{said.stdout.strip()}"


def by_package(copy: Path) -> dict[str, list[Advisory]]:
    """The advisories that are not withdrawn, by the package of PyPI that they are of."""
    found: dict[str, list[Advisory]] = defaultdict(list)
    for text in _texts(copy):
        one = json.loads(text)
        if "withdrawn" not in one:
            names = {a["package"]["name"] for a in one.get("affected", []) if a["package"]["ecosystem"] == "PyPI"}
            for name in names:
                found[canonicalize_name(name)].append(one)
    return found


def _texts(copy: Path) -> Iterator[bytes]:
    if copy.is_dir():
        for path in sorted(copy.rglob("*.json")):
            yield path.read_bytes()
        return
    with zipfile.ZipFile(copy) as archive:
        for name in archive.namelist():
            if name.endswith(".json"):
                yield archive.read(name)


def affects(one: Advisory, name: str, version: str) -> bool:
    """Whether an advisory is of a version of a package."""
    for affected in one.get("affected", []):
        package = affected["package"]
        if package["ecosystem"] != "PyPI" or canonicalize_name(package["name"]) != name:
            continue
        if version in affected.get("versions", []):
            return True
        if any(_within(r["events"], Version(version)) for r in affected.get("ranges", []) if r["type"] == "ECOSYSTEM"):
            return True
    return False


def _within(events: list[dict[str, str]], version: Version) -> bool:
    """Whether the events of a range, in the order of their versions, leave a version vulnerable."""
    vulnerable = False
    for kind, at in sorted(_dated(events), key=lambda event: event[1]):
        if kind == "introduced" and version >= at:
            vulnerable = True
        if (kind == "fixed" and version >= at) or (kind == "last_affected" and version > at):
            vulnerable = False
    return vulnerable


def _dated(events: list[dict[str, str]]) -> Iterator[tuple[str, Version]]:
    for event in events:
        for kind, at in event.items():
            try:
                yield kind, Version(at)
            except InvalidVersion:
                continue


def answering(known: dict[str, list[Advisory]]) -> type[BaseHTTPRequestHandler]:
    """A server of the one query that pip-audit puts."""

    class Answering(BaseHTTPRequestHandler):
        def do_POST(self) -> None:
            asked = json.loads(self.rfile.read(int(self.headers["Content-Length"])))
            name = canonicalize_name(asked["package"]["name"])
            found = [one for one in known.get(name, []) if affects(one, name, asked["version"])]
            body = json.dumps({"vulns": found} if found else {}).encode()
            self.send_response(200)
            self.send_header("Content-Type", "application/json")
            self.send_header("Content-Length", str(len(body)))
            self.end_headers()
            self.wfile.write(body)

        def log_message(self, *said: object) -> None:
            pass

    return Answering
