"""A PostgreSQL server with PostGIS for tests: made in a temporary folder, stopped afterwards; psql to ask it."""

from __future__ import annotations

import os
import shutil
import socket
import subprocess
import tempfile
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import pytest

USER = "keeper"
"""The server's superuser; `reader` may read, `writer` may make schemas, `stranger` may do nothing."""
PASSWORD = "no&secret in 'tests'"


def _programs() -> Path | None:
    """The folder of the newest server that has PostGIS too."""
    for folder in sorted(Path("/usr/lib/postgresql").glob("*/bin"), key=lambda p: -float(p.parent.name)):
        if list(Path("/usr/share/postgresql", folder.parent.name, "extension").glob("postgis.control")):
            return folder
    return None


@dataclass(frozen=True)
class Server:
    """A running server: its programs, the folder of its socket, its port."""

    programs: Path
    folder: Path
    port: int

    def address(self, database: str, user: str = USER, *, socket: bool = True) -> str:
        """An address as a plan states it: by the socket, or by the loopback."""
        if socket:
            return f"postgresql://{user}@/{database}?host={self.folder}&port={self.port}"
        return f"postgresql://{user}@127.0.0.1:{self.port}/{database}"

    def sql(self, database: str, text: str, user: str = USER) -> str:
        """What psql answers: rows in lines, columns apart by |."""
        psql = [self.programs / "psql", "-X", "-q", "-A", "-t", "-v", "ON_ERROR_STOP=1"]
        place = ["-h", str(self.folder), "-p", str(self.port), "-U", user, "-d", database]
        done = subprocess.run([*psql, *place], input=text, capture_output=True, text=True, check=False)
        if done.returncode:
            raise RuntimeError(done.stderr)
        return done.stdout.strip()

    def database(self, name: str, text: str = "", *, postgis: bool = True) -> str:
        """A new database, with what some SQL makes in it; its name."""
        source = "with_postgis" if postgis else "template1"
        self.sql(
            "postgres", f'DROP DATABASE IF EXISTS "{name}" WITH (FORCE); CREATE DATABASE "{name}" TEMPLATE {source}'
        )
        self.sql(name, text)
        return name


@contextmanager
def running() -> Iterator[Server]:
    """A server on a socket and the loopback. Skips the test where PostgreSQL or PostGIS is not installed."""
    programs = _programs()
    if programs is None:
        pytest.skip("PostgreSQL with PostGIS is not installed: apt-get install postgresql postgresql-15-postgis-3")
    # Not under pytest's own folder, which the server's user could not enter; a socket's path must be short, too.
    folder = Path(tempfile.mkdtemp(prefix="pg-", dir="/tmp"))
    with socket.socket() as probe:
        probe.bind(("127.0.0.1", 0))
        port = probe.getsockname()[1]
    as_somebody = []
    if os.geteuid() == 0:  # which the server refuses to be
        as_somebody = ["setpriv", "--reuid=nobody", "--regid=nogroup", "--clear-groups", "--reset-env"]
        shutil.chown(folder, "nobody", "nogroup")

    def run(*command: object) -> None:
        done = subprocess.run(
            [*as_somebody, *map(str, command)], capture_output=True, text=True, cwd=folder, check=False
        )
        if done.returncode:
            raise RuntimeError(f"{done.stdout}\n{done.stderr}")

    data, keep = folder / "data", programs / "pg_ctl"
    try:
        run(programs / "initdb", "-D", data, "-U", USER, "-A", "trust", "--no-sync", "-E", "UTF8", "--locale=C.UTF-8")
        hba = "local all all trust\nhost all guarded 127.0.0.1/32 scram-sha-256\nhost all all 127.0.0.1/32 trust\n"
        (data / "pg_hba.conf").write_text(hba)
        settings = f"-k {folder} -h 127.0.0.1 -p {port} -c fsync=off -c shared_buffers=32MB -c timezone=America/Chicago"
        run(keep, "start", "-D", data, "-w", "-t", "60", "-l", folder / "log", "-o", settings)
        try:
            server = Server(programs, folder, port)
            quoted = PASSWORD.replace("'", "''")
            server.sql(
                "postgres",
                "CREATE ROLE reader LOGIN; CREATE ROLE writer LOGIN; CREATE ROLE stranger LOGIN;"
                f"CREATE ROLE guarded LOGIN PASSWORD '{quoted}';",
            )
            server.sql("postgres", "CREATE DATABASE with_postgis")
            server.sql("with_postgis", "CREATE EXTENSION postgis")
            yield server
        finally:
            run(keep, "stop", "-D", data, "-m", "immediate", "-w")
    finally:
        shutil.rmtree(folder, ignore_errors=True)
