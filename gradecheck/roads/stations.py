"""Stations as people write them: "12+50.3" in feet (a plus each hundred), "4+310" in metres (each thousand)."""

from __future__ import annotations

import re
from typing import NamedTuple

_TEXT = re.compile(r"\s*(-?)(\d+)(?:\+(\d{2,3})(\.\d*)?|(\.\d*)?)\s*")


class Written(NamedTuple):
    """A station read: its value, and what a plus stands for there (100, 1000, or 0 where there is no plus)."""

    value: float
    per_plus: int


def parse_station(text: str) -> Written | None:
    """The station that a text means, or None where it is no station.

    >>> parse_station("12+50.3"), parse_station("4+310"), parse_station("-0+25")
    (Written(value=1250.3, per_plus=100), Written(value=4310.0, per_plus=1000), Written(value=-25.0, per_plus=100))
    >>> parse_station("812.5"), parse_station("12+5")
    (Written(value=812.5, per_plus=0), None)
    """
    match = _TEXT.fullmatch(text)
    if not match:
        return None
    sign, whole, rest, part, plain = match.groups()
    per_plus = 10 ** len(rest) if rest else 0
    value = int(whole) * (per_plus or 1) + int(rest or 0) + float(f"0{part or plain or ''}")
    return Written(-value if sign else value, per_plus)


def show_station(value: float, unit: str) -> str:
    """A station for people, a tenth exact; `unit` is that of the road's line.

    >>> show_station(1250.34, "ft"), show_station(4310.0, "m"), show_station(-25.0, "ft"), show_station(99.96, "ft")
    ('12+50.3', '4+310.0', '-0+25.0', '1+00.0')
    """
    per_plus, digits = (100, 4) if unit in ("ft", "ftUS") else (1000, 5)
    tenths = round(abs(value) * 10)
    plus, rest = divmod(tenths, per_plus * 10)
    return f"{'-' if value < 0 and tenths else ''}{plus}+{rest / 10:0{digits}.1f}"


def show_offset(value: float, unit: str) -> str:
    """An offset for people: "17.0 ft R", "5.2 m L"; on the line itself "0.0 ft".

    >>> show_offset(17.0, "ftUS"), show_offset(-5.23, "m"), show_offset(0.01, "m")
    ('17.0 ft R', '5.2 m L', '0.0 m')
    """
    text = f"{abs(value):.1f} {'ft' if unit == 'ftUS' else unit}"
    return text if text.startswith("0.0 ") else f"{text} {'R' if value > 0 else 'L'}"
