"""Connections to PostGIS: opened, bounded in time, and what goes wrong with them in words.

A password is never taken from the plan, so that none can reach a message or a file: libpq finds it by its own means.
"""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING, Any

from gradecheck.addresses import without_secrets
from gradecheck.errors import Finding, GradecheckError, InputError

if TYPE_CHECKING:
    from sqlalchemy import Connection

CONNECT_S = 15
"""Seconds that a server has to answer, where the address states no connect_timeout."""
STATEMENT_S = 300
"""Seconds that one statement may take."""
LOCK_S = 30
"""Seconds to wait for whoever holds a table."""

_PASSWORD = "keep it in ~/.pgpass (or the file that PGPASSFILE names), a service file, or PGPASSWORD"
# SQLSTATE (PostgreSQL, appendix A): what it means here, how to mend it; the first whose beginning fits.
_STATES = (
    ("28", "the server does not let this user in", "check the user, and the password: " + _PASSWORD),
    ("3D000", "there is no such database", "check the name at the end of the address"),
    ("42501", "this user has no right to it", "have it granted: USAGE of the schema, SELECT on the table"),
    ("42P01", "there is no such table", "check `layer`"),
    ("57014", "the database took too long and was stopped", "narrow the layer down, such as by a view"),
    ("55P03", "somebody else holds the table", "close what has it open, and run again"),
    ("2500", "something in it would write, and reading must not", "ask for a condition that only reads"),
    (
        "2BP01",
        "something of somebody else's rests on a table of ours that is not as it was",
        "drop what it names, run, make it anew",
    ),
    ("53", "the server has no room for it", "try again later"),
    ("57P", "the server is shutting down or not up yet", "try again later"),
)
# Before anybody is let in, libpq gives a text alone.
_TEXTS = (
    ("does not exist", "database", "3D000"),
    ("authentication", "", "28"),
    ("no password supplied", "", "28"),
    ("pg_hba.conf", "", "28"),
    ('role "', "does not exist", "28"),
)


def libraries(key: str, kind: type[GradecheckError] = InputError) -> None:
    """Raises `kind` where what speaks to PostgreSQL is not installed."""
    try:
        import psycopg  # noqa: F401
        import sqlalchemy  # noqa: F401
    except ImportError as error:
        what = f"a database is named, and {error.name or 'psycopg'} is not installed"
        raise kind(Finding(key, what, 'pip install "gradecheck[postgis]"')) from None


@contextmanager
def connected(
    address: str, key: str, *, reading: bool = True, kind: type[GradecheckError] = InputError
) -> Iterator[Connection]:
    """A connection in one transaction, rolled back at the end unless it was committed.

    reading: read only, and all of it in one snapshot. (Before version 16 large objects can be written even so: rolled
    back, too.) key: the plan's, for messages. Raises `kind`.
    """
    libraries(key, kind)
    import psycopg
    import sqlalchemy as sa
    from psycopg.conninfo import conninfo_to_dict
    from sqlalchemy.pool import NullPool

    def open_it() -> psycopg.Connection[Any]:
        # libpq reads the address, since it knows best what may stand in one.
        start = address.index("://")
        given = conninfo_to_dict(f"postgresql{address[start:]}")
        return psycopg.connect(**{"connect_timeout": CONNECT_S, "application_name": "gradecheck", **given})  # type: ignore[arg-type]

    level = {"isolation_level": "REPEATABLE READ", "postgresql_readonly": True} if reading else {}
    try:
        engine = sa.create_engine("postgresql+psycopg://", creator=open_it, poolclass=NullPool, execution_options=level)
        with engine.connect() as connection:
            for setting, seconds in (("statement_timeout", STATEMENT_S), ("lock_timeout", LOCK_S)):
                connection.execute(
                    sa.text("SELECT set_config(:setting, :value, true)"),
                    {"setting": setting, "value": f"{seconds}s"},
                )
            yield connection
    except (sa.exc.SQLAlchemyError, psycopg.Error) as error:
        raise kind(in_words(error, key, address)) from None


def in_words(error: Exception, key: str, address: str) -> Finding:
    """What a database's error means, and how to mend it."""
    cause = getattr(error, "orig", None) or error
    text = without_secrets(str(cause).strip().split("\n")[0])[:200]
    state = getattr(cause, "sqlstate", None) or next(
        (code for word, also, code in _TEXTS if word in text and also in text), ""
    )
    if state == "2BP01" and (detail := getattr(getattr(cause, "diag", None), "message_detail", None)):
        text = detail.split("\n")[0]
    for code, what, mend in _STATES:
        if state.startswith(code):
            if state == "42501" and key.startswith("output"):
                mend = "have CREATE granted in the database or the schema, and use the former tables' owner"
            return Finding(key, f"{address}: {what} ({text})", mend)
    if not state and type(cause).__name__ in ("OperationalError", "ConnectionTimeout"):
        what = f"{address}: the server cannot be reached ({text})"
        return Finding(key, what, "check host and port, and that the server is up and takes connections from here")
    return Finding(key, f"{address}: the database says: {text}", "mend what it names")


def postgis_schema(connection: Connection) -> str | None:
    """The schema that PostGIS is installed in; None where it is not."""
    import sqlalchemy as sa

    found = connection.execute(
        sa.text(
            "SELECT n.nspname FROM pg_catalog.pg_extension e"
            " JOIN pg_catalog.pg_namespace n ON n.oid = e.extnamespace WHERE e.extname = 'postgis'"
        )
    ).scalar()
    return None if found is None else str(found)


def current_database(connection: Connection) -> str:
    """The name of the database that answered."""
    import sqlalchemy as sa

    return str(connection.execute(sa.text("SELECT pg_catalog.current_database()")).scalar())
