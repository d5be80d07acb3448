"""What `inspect` found, as a checklist for a terminal of 80 columns and as one object for programs."""

from __future__ import annotations

import textwrap
from typing import Any

from gradecheck.inspection import Inspection

_WIDE = 79


def inspection_lines(found: Inspection) -> list[str]:
    """A checklist: each part ticked or not, what is assumed, what to be aware of, and what would stop a run."""
    lines: list[str] = []
    for heading, facts in found.facts:
        mark = " " if any(heading in stop.where for stop in found.stops) else "x"
        lines += [f"[{mark}] {heading}"]
        for fact in facts:
            indent = " " * (4 + len(fact) - len(fact.lstrip()))
            lines += textwrap.wrap(fact, _WIDE, initial_indent="    ", subsequent_indent=indent + "  ")
        lines.append("")
    for heading, texts in (("assumed", found.assumed), ("to be aware of", found.notes)):
        if texts:
            lines.append(heading)
            for text in texts:
                lines += textwrap.wrap(f"- {text}", _WIDE, initial_indent="    ", subsequent_indent="      ")
            lines.append("")
    if found.stops:
        return [*lines, "[ ] this would stop a run", *(f"    {f.lines}" for f in found.stops)]
    return [*lines, "[x] nothing here would stop a run"]


def inspection_json(found: Inspection) -> dict[str, Any]:
    """The same for programs."""
    return {
        "ok": not found.stops,
        "facts": dict(found.facts),
        "assumed": found.assumed,
        "notes": found.notes,
        "stops": [f.as_dict() for f in found.stops],
    }
