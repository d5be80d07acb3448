"""Dates and times as spreadsheets write them; one that may mean two days is refused."""

from __future__ import annotations

import re
from datetime import date, datetime

_ISO = re.compile(r"(\d{4})[-/.](\d{1,2})[-/.](\d{1,2})")
_NUMBERS = re.compile(r"(\d{1,2})[-/.](\d{1,2})[-/.](\d{4}|\d{2})")
_DAY_MONTH = re.compile(r"(\d{1,2})[ -/.]+([a-z]{3,9})\.?[ -/,]+(\d{4}|\d{2})")
_MONTH_DAY = re.compile(r"([a-z]{3,9})\.?[ -]+(\d{1,2})(?:st|nd|rd|th)?,?[ -]+(\d{4}|\d{2})")
_CLOCK = re.compile(
    r"(?:[T ]|^)(\d{1,2}):(\d{2})(?::(\d{2})(?:[.,]\d+)?)? ?([ap]\.?m\.?)?(?:z|[+-]\d{2}:?\d{2})?$", re.I
)
_MONTHS = ("january", "february", "march", "april", "may", "june", "july", "august", "september", "october",
           "november", "december")  # fmt: skip


def parse_date(text: str, order: str | None = None) -> date:
    """The day that a text names; a time after it is passed over.

    order: "mdy" or "dmy", for dates such as 03/04/2027. Raises ValueError in words for a person.

    >>> [parse_date(t).isoformat() for t in ("2027-04-03", "4/13/2027", "3-Apr-27", "April 3, 2027", "03/03/2027")]
    ['2027-04-03', '2027-04-13', '2027-04-03', '2027-04-03', '2027-03-03']
    >>> parse_date("03/04/2027", "dmy")
    datetime.date(2027, 4, 3)
    """
    day = _CLOCK.sub("", text.strip()).strip()
    found = _named(day.lower()) or _numbered(day, order)
    if found is None:
        raise ValueError(f"{text!r} is no date such as 2027-04-03")
    try:
        return date(*found)
    except ValueError:
        raise ValueError(f"{text!r} is a day that is not") from None


def _named(day: str) -> tuple[int, int, int] | None:
    """Year, month, day where the year comes first or the month is a word."""
    if iso := _ISO.fullmatch(day):
        return int(iso[1]), int(iso[2]), int(iso[3])
    if words := _DAY_MONTH.fullmatch(day):
        month, number, year = words[2], words[1], words[3]
    elif words := _MONTH_DAY.fullmatch(day):
        month, number, year = words[1], words[2], words[3]
    else:
        return None
    named = [i for i, name in enumerate(_MONTHS, start=1) if name.startswith(month) or (month, i) == ("sept", 9)]
    return (_full(year), named[0], int(number)) if len(named) == 1 else None


def _numbered(day: str, order: str | None) -> tuple[int, int, int] | None:
    found = _NUMBERS.fullmatch(day)
    if not found:
        return None
    a, b, year = int(found[1]), int(found[2]), _full(found[3])
    if order is None:
        if len(found[3]) == 2 or (a <= 12 and b <= 12 and a != b):
            raise ValueError(f"{day!r} may mean two days")
        order = "dmy" if a > 12 else "mdy"
    return (year, b, a) if order == "dmy" else (year, a, b)


def is_day_only(text: str) -> bool:
    """Whether a text that names a moment says no time of day.

    >>> is_day_only("2027-05-11"), is_day_only("2027-05-11 08:30")
    (True, False)
    """
    return _CLOCK.search(text.strip()) is None


def _full(year: str) -> int:
    return int(year) + 2000 if len(year) == 2 else int(year)


def parse_moment(text: str, order: str | None = None) -> datetime:
    """The day and time that a text names, midnight without a time. Raises ValueError.

    >>> parse_moment("2027-05-11 08:30"), parse_moment("5/13/2027 4:05 PM")
    (datetime.datetime(2027, 5, 11, 8, 30), datetime.datetime(2027, 5, 13, 16, 5))
    """
    day = parse_date(text, order)
    clock = _CLOCK.search(text.strip())
    if not clock:
        return datetime(day.year, day.month, day.day)
    hour, minute, second = int(clock[1]), int(clock[2]), int(clock[3] or 0)
    if clock[4]:
        if not 1 <= hour <= 12:
            raise ValueError(f"{text!r} is no time of day")
        hour = hour % 12 + (12 if clock[4].lower().startswith("p") else 0)
    try:
        return datetime(day.year, day.month, day.day, hour, minute, second)
    except ValueError:
        raise ValueError(f"{text!r} is no time of day") from None
