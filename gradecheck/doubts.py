"""Settings that a plan may have and hardly anybody means: a slip of a unit, or of a decimal point. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping

from gradecheck.units import Length
from gradecheck.validation import Section

MOST: Mapping[str, Length] = {
    "sd": Length(10, "ft"),
    "sd_shared": Length(10, "ft"),
    "position_sd": Length(100, "ft"),
    "clearance_min": Length(5, "ft"),
    "clearance_target": Length(5, "ft"),
    "clearance_max": Length(5, "ft"),
    "clearance_spread": Length(2, "ft"),
    "dressing": Length(1, "ft"),
    "outlet_min": Length(8, "ft"),
    "outlet_max": Length(8, "ft"),
    "branch_diameter": Length(4, "ft"),
    "cover_min": Length(30, "ft"),
    "max_extension": Length(20, "ft"),
    "setback_min": Length(100, "ft"),
    "reach": Length(1000, "ft"),
    "unchanged_past": Length(5000, "ft"),
}
"""The most of a setting that passes without a word, wherever it stands; common practice lies well below, no source."""


def doubts(plan: Section) -> list[str]:
    """In words, the lengths of a plan that are beyond what is ever meant; they count all the same."""
    return [
        f"{where} = {value}: more than {MOST[name]}, is that meant?"
        for where, name, value in _lengths(plan, "")
        if name in MOST and value.metres > MOST[name].metres
    ]


def _lengths(section: Section, where: str) -> Iterator[tuple[str, str, Length]]:
    """Every length of a section and of those in it: where it stands, its name, and it."""
    under = getattr(section, "under", ())  # the second and further sources of a ground
    own = f"{where}[1]" if under else where
    for name, value in section:
        at = f"{own}.{name}" if own else name
        if isinstance(value, Length):
            yield at, name, value
        elif isinstance(value, Section):
            yield from _lengths(value, at)
    for number, source in enumerate(under, start=2):
        yield from _lengths(source, f"{where}[{number}]")
