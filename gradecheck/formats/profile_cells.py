"""Cells of tables as text, numbers and stations, and what messages about them have in common."""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from typing import Any

from gradecheck.errors import Finding, InputError
from gradecheck.layers import VectorLayer
from gradecheck.roads.stations import Written, parse_station


def columns_of(layer: VectorLayer, names: Mapping[str, str], where: str) -> list[list[Any]]:
    """The values of columns, by the keys that name them. Raises InputError with all that are not there."""
    findings: list[Finding] = []
    cells = []
    for key, name in names.items():
        with gathering(findings):
            cells.append(layer.column(name, f"{where}.{key}".lstrip(".")).to_pylist())
    if findings:
        raise InputError(findings)
    return cells


def text_of(value: object) -> str | None:
    """What a cell says, without blanks around it; None where it is empty. Whole numbers are written as such.

    >>> text_of(12.0), text_of(" 0012 "), text_of(""), text_of(float("nan"))
    ('12', '0012', None, None)
    """
    if value is None or (isinstance(value, float) and math.isnan(value)):
        return None
    if isinstance(value, float) and value.is_integer() and abs(value) < 1e15:
        value = int(value)
    return str(value).strip() or None


def number_of(value: object) -> float | None:
    """The finite number in a cell, of any type; None where there is none.

    >>> number_of(" 12.50 "), number_of(3), number_of("12 ft"), number_of("1_000"), number_of("nan"), number_of(True)
    (12.5, 3.0, None, None, None, None)
    """
    if isinstance(value, bool) or not isinstance(value, int | float | str) or (isinstance(value, str) and "_" in value):
        return None
    try:
        number = float(value)
    except (ValueError, OverflowError):
        return None
    return number if math.isfinite(number) else None


def station_of(value: object) -> Written | None:
    """The station in a cell, a number or text with a plus; None where there is none.

    >>> station_of(1250), station_of("12+50"), station_of("12+5")
    (Written(value=1250.0, per_plus=0), Written(value=1250.0, per_plus=100), None)
    """
    number = number_of(value)
    if number is not None:
        return Written(number, 0)
    return parse_station(value) if isinstance(value, str) else None


def beside(where: str, key: str) -> str:
    """The key next to another in the plan.

    >>> beside("after.profile", "road"), beside("after.profile", "")
    ('after.road', 'after')
    """
    return ".".join(part for part in (where.rpartition(".")[0], key) if part)


@contextmanager
def gathering(findings: list[Finding]) -> Iterator[None]:
    """What is found wrong inside is added to `findings`, to be raised with the rest."""
    try:
        yield
    except InputError as error:
        findings += error.findings
