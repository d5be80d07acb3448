"""Lengths with their units, and the exact factors between them.

A length is never a bare number in a plan. Inside the program every length is metres (float); `Length`
keeps what was written so that it can be shown again as written.
"""

from __future__ import annotations

import re
from dataclasses import dataclass

# Metres in one unit. Foot and inch: exact by the 1959 yard and pound agreement; US survey foot: 1200/3937
# exactly, deprecated 31 December 2022 (85 FR 62698) but found in files for decades to come.
METRES: dict[str, float] = {
    "in": 0.0254,
    "ft": 0.3048,
    "ftUS": 1200 / 3937,
    "mm": 0.001,
    "cm": 0.01,
    "m": 1.0,
}

UNIT_NAMES = tuple(METRES)

UNIT_WORDS = {"in": "inches", "ft": "feet", "mm": "millimetres", "cm": "centimetres", "m": "metres"}
"""Of the units that outputs can be in."""
DIGITS = {"in": 1, "ft": 2, "ftUS": 2, "mm": 0, "cm": 1, "m": 3}
"""Decimals with which people are shown small heights."""

# Spellings met in band units, reference systems and people's plans (lower case, letters only).
_SPELLINGS: dict[str, str] = {
    **dict.fromkeys(["in", "inch", "inches"], "in"),
    **dict.fromkeys(["ft", "foot", "feet", "internationalfoot", "internationalfeet", "footinternational"], "ft"),
    **dict.fromkeys(
        ["ftus", "usft", "ussurveyfoot", "ussurveyfeet", "usfoot", "usfeet", "surveyfoot", "surveyfeet",
         "sft", "sfoot", "footus", "ussft", "ussurveyft", "footussurvey"],
        "ftUS",
    ),
    **dict.fromkeys(["mm", "millimeter", "millimetre", "millimeters", "millimetres"], "mm"),
    **dict.fromkeys(["cm", "centimeter", "centimetre", "centimeters", "centimetres"], "cm"),
    **dict.fromkeys(["m", "meter", "metre", "meters", "metres"], "m"),
}  # fmt: skip

# A unit is words alone: no number, no power, no sign before or after it, no letter of another alphabet.
_WORD = re.compile(r"\s*[A-Za-z][A-Za-z .,_()-]*\s*")
_LENGTH = re.compile(r"\s*([+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?)\s*([^\W\d_].*?)\s*")


def unit_named(text: str) -> str | None:
    """The unit that a spelling means, or None.

    >>> unit_named("US survey foot"), unit_named("metre"), unit_named("Feet"), unit_named("furlong")
    ('ftUS', 'm', 'ft', None)
    """
    if not _WORD.fullmatch(text):
        return None
    return _SPELLINGS.get(re.sub(r"[^a-z]", "", text.lower()))


def unit_of_factor(metres: float) -> str | None:
    """The unit of so many metres, told apart to 1e-9 relative (ft and ftUS differ by 2e-6).

    >>> unit_of_factor(0.3048), unit_of_factor(0.3048006096012192), unit_of_factor(0.5)
    ('ft', 'ftUS', None)
    """
    return next((u for u, f in METRES.items() if abs(f - metres) <= 1e-9 * f), None)


@dataclass(frozen=True, slots=True)
class Length:
    """A length as written: `value` in `unit` (one of `UNIT_NAMES`).

    >>> Length.parse("2 in").metres
    0.0508
    >>> str(Length.parse("0.1 ftUS")), Length.parse("1 ft").to("in")
    ('0.1 ftUS', 12.0)
    """

    value: float
    unit: str

    @property
    def metres(self) -> float:
        """The length in metres."""
        return self.value * METRES[self.unit]

    def to(self, unit: str) -> float:
        """The length in another unit; the same number where the unit is the same."""
        if unit == self.unit:
            return self.value
        return round(self.metres / METRES[unit], 12)

    def __str__(self) -> str:
        return f"{self.value:.12g} {self.unit}"

    @classmethod
    def parse(cls, text: object) -> Length:
        """Read "2 in". Raises ValueError in words for a person."""
        if isinstance(text, Length):
            return text
        if isinstance(text, bool) or not isinstance(text, str):
            raise ValueError(f'a length is text with its unit, such as "2 in", not {text!r}')
        match = _LENGTH.fullmatch(text)
        if not match:
            raise ValueError(f'a length is a number and a unit, such as "2 in", not {text!r}')
        unit = unit_named(match[2])
        if unit is None:
            raise ValueError(f"unknown unit {match[2]!r} in {text!r}; known: {', '.join(UNIT_NAMES)}")
        value = float(match[1])
        if abs(value) > 1e9:
            raise ValueError(f"{text!r} is not a length on the ground")
        return cls(value, unit)


def imperial(unit: str) -> bool:
    """Whether a unit of small heights goes with feet and inches: in and ft."""
    return unit in ("in", "ft")


def paper_of(unit: str, named: str | None = None) -> str:
    """The paper to print on, "letter" or "a4": as it is named, else Letter with in and ft, A4 with metric units."""
    return named or ("letter" if imperial(unit) else "a4")


def elevation_unit(unit: str) -> str:
    """The unit of elevations that goes with a unit of small heights: feet with in and ft, else metres."""
    return "ft" if imperial(unit) else "m"


def show(metres: float, unit: str, digits: int | None = None) -> str:
    """A height for people: no trailing zeros, never "-0".

    >>> show(0.1524, "in"), show(-0.00001, "in"), show(0.05, "mm")
    ('6 in', '0 in', '50 mm')
    """
    text = f"{metres / METRES[unit]:.{DIGITS[unit] if digits is None else digits}f}"
    if "." in text:
        text = text.rstrip("0").rstrip(".")
    return f"{'0' if text in ('-0', '') else text} {unit}"
