"""Catalogues from TOML or CSV."""

from __future__ import annotations

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from gradecheck.catalog import Catalog
from gradecheck.errors import Finding, PlanError
from gradecheck.validation import build, toml_values

_NUMBERS = {"unit_cost": float, "on_hand": int, "lead_days": int, "pack_size": int, "quantity": int}
_PART = {"family", "part_number", "description", "supplier", "unit_cost", "on_hand", "lead_days", "pack_size"}
_KEYS = {
    "extension": _PART | {"length"},
    "item": _PART | {"quantity", "per"},
    "check_value": {"family", "name", "value", "source"},
}


def read_catalog(path: Path, shown: str) -> Catalog:
    """The catalogue in a file; `shown` is its name as the user wrote it. Raises PlanError with every finding."""
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        raise PlanError(Finding(shown, f"the catalogue cannot be read ({error.strerror})", "check the path")) from None
    except UnicodeDecodeError as error:
        what = f"catalog.path names a file that is not UTF-8 text (byte {error.start})"
        raise PlanError(Finding(shown, what, "name a catalogue, TOML or CSV, saved as UTF-8")) from None
    if path.suffix.lower() == ".csv":
        return _from_csv(text, shown)
    values = toml_values(text.encode(), shown)
    if "generic" in values:
        raise PlanError(Finding(f"{shown}.generic", "unknown key", "leave it out"))
    return Catalog.parse(values, shown)


def _from_csv(text: str, shown: str) -> Catalog:
    """Rows of all kinds in one table; a row is what its column `kind` says, else what its columns fit."""
    rows = csv.DictReader(text.splitlines())
    _check_head(rows, shown)
    tables: dict[str, Any] = {kind: [] for kind in _KEYS}
    lines: dict[str, int] = {}
    findings: list[Finding] = []
    currencies = set()
    known = set().union(*_KEYS.values()) | {"kind", "currency"}
    for name in rows.fieldnames or ():
        if name not in known:
            findings.append(Finding(shown, f"unknown column '{name}'", f"known: {', '.join(sorted(known))}"))
    for line, row in enumerate(_readable(rows, shown), start=2):
        where = f"{shown} line {line}"
        if None in row:
            findings.append(Finding(where, "more cells than columns", "put quotes around a text with a comma"))
        filled = {k: v.strip() for k, v in row.items() if isinstance(k, str) and v and v.strip()}
        if not filled:
            continue
        currencies.add(filled.pop("currency", ""))
        kind = filled.pop("kind", "") or _kind(filled)
        if kind not in _KEYS:
            findings.append(Finding(where, f"kind {kind!r} is not one of {', '.join(_KEYS)}", "write one of those"))
            continue
        tables[kind].append(_values(filled, kind, where, findings))
        lines[f"{shown}.{kind}[{len(tables[kind])}]"] = line
    named = currencies - {""}
    if len(named) > 1:
        findings.append(Finding(shown, f"several currencies: {', '.join(sorted(named))}", "keep to one"))
    catalog, more = build(Catalog, {**tables, "currency": next(iter(named), "")}, shown)
    told = {f.where for f in findings}
    for finding in more:
        entry, _, key = finding.where.partition("].")
        at = lines.get(f"{entry.rstrip(']')}]")
        where = finding.where if at is None else f"{shown} line {at}"
        if where not in told:
            findings.append(Finding(where, f"{key}: {finding.what}" if at and key else finding.what, finding.mend))
    if findings or catalog is None:
        raise PlanError(findings)
    return catalog


def _check_head(rows: csv.DictReader[str], shown: str) -> None:
    """Raises PlanError where the first row does not name columns apart from one another."""
    try:
        names = list(rows.fieldnames or ())
    except csv.Error as error:
        raise PlanError(Finding(f"{shown} line 1", f"cannot be read as a table ({error})", "mend the line")) from None
    twice = sorted({name for name in names if name and names.count(name) > 1})
    if twice:
        raise PlanError(Finding(shown, f"has several columns {', '.join(twice)}", "leave one of each"))
    if len(names) == 1 and any(sign in names[0] for sign in ";\t|"):
        raise PlanError(Finding(shown, f"its cells are not parted by commas: {names[0][:80]}", "save it with commas"))


def _readable(rows: csv.DictReader[str], shown: str) -> Iterator[dict[str | Any, str | Any]]:
    """The rows. Raises PlanError at one that cannot be read."""
    try:
        yield from rows
    except csv.Error as error:
        limit = f"a cell has more than {csv.field_size_limit():,} letters"
        what = limit if "field limit" in str(error) else f"cannot be read as a table ({error})"
        raise PlanError(Finding(f"{shown} line {rows.line_num + 1}", what, "mend the line")) from None


def _values(filled: dict[str, str], kind: str, where: str, findings: list[Finding]) -> dict[str, Any]:
    """The cells of a row as the values of its kind."""
    values: dict[str, Any] = {}
    for key, value in filled.items():
        if key not in _KEYS[kind]:
            findings.append(Finding(where, f"column '{key}' does not go with {kind}", "leave it empty"))
            continue
        try:
            values[key] = _NUMBERS[key](value) if key in _NUMBERS else value
        except ValueError:
            findings.append(Finding(where, f"{key} {value!r} is not a number", "write it plainly, such as 410.50"))
    return values


def _kind(filled: dict[str, str]) -> str:
    if "length" in filled:
        return "extension"
    return "item" if "per" in filled else "check_value"
