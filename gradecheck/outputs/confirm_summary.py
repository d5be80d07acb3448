"""A confirmation in short: one dictionary for programs, the same as text for a terminal of 80 columns."""

from __future__ import annotations

import textwrap
from collections import Counter
from collections.abc import Mapping
from datetime import date
from typing import Any

from gradecheck.confirmation import State
from gradecheck.confirming import Confirmation
from gradecheck.outputs.confirm_rows import STATE_WORDS, differs_words, planned_words, why_words
from gradecheck.outputs.summary import WIDTH
from gradecheck.units import show

_MANY = 12
"""Rows of a list in the terminal; the files have all."""


def confirm_summary(c: Confirmation, today: date) -> dict[str, Any]:
    """Counts by state, dangers, what is to do, what differs, parts used and ordered, warnings."""
    k, rows = c.confirmed, c.rows.tolist()
    plan = c.assessment.inputs.plan
    unit, ids = plan.output.unit, c.assessment.inputs.hydrants.id
    states = Counter(State(int(k.state[r])) for r in rows)
    planned, why, differs = planned_words(c), why_words(c), differs_words(c)
    return {
        "project": plan.project.name,
        "day": today.isoformat(),
        "counts": {
            "hydrants": len(rows),
            "ground_as_built": int(sum(c.found.ground[r] == c.found.ground[r] for r in rows)),
            "work_done": int(c.found.done[rows].sum()) if rows else 0,
            "work_differs": int(k.differs[rows].sum()) if rows else 0,
            "off_design": int(k.off_design[rows].sum()) if rows else 0,
            "outlet_low": int((k.outlet_off[rows] < 0).sum()) if rows else 0,
            "outlet_high": int((k.outlet_off[rows] > 0).sum()) if rows else 0,
        },
        "states": {state.name: states[state] for state in STATE_WORDS if states[state]},
        "dangers": [{"hydrant_id": name, "what": text} for name, text in c.dangers],
        "to_do": [
            {"hydrant_id": ids[r], "planned": planned[r], "why": why[r], "remarks": list(c.remarks[r])}
            for r in rows
            if k.state[r] == State.to_do
        ],
        "outside": [
            {"hydrant_id": ids[r], "state": State(int(k.state[r])).name, "miss": show(abs(float(k.miss[r])), unit)}
            for r in rows
            if k.state[r] in (State.too_low, State.too_high)
        ],
        "differs": [{"hydrant_id": ids[r], "what": differs[r]} for r in rows if differs[r]],
        "kits": [
            {
                "part_number": kit.part, "description": kit.description, "ordered": kit.ordered, "bought": kit.bought,
                "used": kit.used, "left": kit.left,
            }
            for kit in c.kits
        ],
        "assumed": list(c.assumed),
        "warnings": list(c.notes),
    }  # fmt: skip


def confirm_text(summary: Mapping[str, Any], where: str) -> str:
    """The summary for a terminal of 80 columns, dangers first."""
    lines = [f"{summary['project'] or 'gradecheck'}: as built", ""]
    lines += _listed("DANGER", [f"{d['hydrant_id']}: {d['what']}" for d in summary["dangers"]])
    counts = summary["counts"]
    lines.append(f"{counts['hydrants']} hydrants, ground as built known at {counts['ground_as_built']}")
    words = {state.name: text for state, text in STATE_WORDS.items()}
    for name, n in summary["states"].items():
        lines += textwrap.wrap(
            f"{n:>6}  {name:<9} {words[name]}", WIDTH, initial_indent="  ", subsequent_indent=" " * 20
        )
    lines.append("")
    lines += _listed("Still to do", [f"{t['hydrant_id']}: {t['planned']}" for t in summary["to_do"]])
    lines += _listed(
        "Outside the window",
        [
            f"{o['hydrant_id']}: {o['miss']} {'too low' if o['state'] == 'too_low' else 'too high'}"
            for o in summary["outside"]
        ],
    )
    lines += _listed("Done otherwise than planned", [f"{d['hydrant_id']}: {d['what']}" for d in summary["differs"]])
    lines += _also(counts)
    lines += _kits(summary["kits"])
    for title, key in (("Assumed", "assumed"), ("Warnings", "warnings")):
        if summary[key]:
            lines.append(title)
            for text in summary[key]:
                lines += textwrap.wrap(f"- {text}", WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
            lines.append("")
    lines += textwrap.wrap(f"Written to {where}: sign acceptance.xlsx, load register.csv", WIDTH)
    return "\n".join(lines)


def _listed(title: str, items: list[str]) -> list[str]:
    """A heading and the first few of a list; nothing for none."""
    if not items:
        return []
    lines = [title]
    for item in items[:_MANY]:
        lines += textwrap.wrap(item, WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
    if len(items) > _MANY:
        lines.append(f"  ... and {len(items) - _MANY} more, in confirm.json and acceptance.xlsx")
    return [*lines, ""]


def _also(counts: Mapping[str, int]) -> list[str]:
    said = {
        "off_design": "ground off the design by more than 3 sd and the dressing",
        "outlet_low": "outlet too low",
        "outlet_high": "outlet too high",
    }
    lines = [f"{counts[key]:>8}  {text}" for key, text in said.items() if counts[key]]
    return ["Also", *lines, ""] if lines else []


def _kits(kits: list[dict[str, Any]]) -> list[str]:
    if not kits:
        return []
    lines = [f"{'Extensions':<48}{'to have':>8}{'used':>8}{'left':>8}"]
    for kit in kits:
        name = f"  {kit['part_number']} {kit['description']}".rstrip()
        lines.append(f"{name[:47]:<48}{kit['ordered']:>8}{kit['used']:>8}{kit['left']:>8}")
    return [*lines, ""]
