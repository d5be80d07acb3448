"""How a command ends: what is said of what went wrong, for people or for programs, and with which status."""

from __future__ import annotations

import json
import sys
from collections.abc import Iterable
from typing import Any, NoReturn

import typer

from gradecheck.errors import Finding

EXIT_UNUSABLE, EXIT_FAULT, EXIT_INTERRUPTED = 2, 1, 130
KEPT: list[str] = []
"""What an interrupted command has kept, in words."""


def complain(title: str, findings: Iterable[Finding]) -> None:
    """Findings for a person, on standard error."""
    typer.echo(f"gradecheck: {title}", err=True)
    for finding in findings:
        typer.echo(f"  {finding.lines}", err=True)


def print_json(content: dict[str, Any]) -> None:
    """One object on standard output."""
    typer.echo(json.dumps(content, indent=1, ensure_ascii=False, default=str))


def fail(title: str, findings: list[Finding], status: int) -> NoReturn:
    """Say what is wrong, as JSON where that was asked for, and leave."""
    if "--json" in sys.argv[1:]:
        print_json({"ok": False, "error": title, "findings": [f.as_dict() for f in findings]})
    else:
        complain(title, findings)
    raise SystemExit(status)


def interrupted() -> NoReturn:
    """Say that nothing was written, and what was kept, and leave."""
    words = "; ".join(["nothing was written, the former files are as they were", *KEPT])
    fail("interrupted", [Finding("", words)], EXIT_INTERRUPTED)
