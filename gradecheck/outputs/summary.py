"""The summary: one dictionary for programs (`--json`, run.json), the same set as text for the terminal."""

from __future__ import annotations

import textwrap
from collections import Counter, defaultdict
from collections.abc import Mapping, Sequence
from datetime import date
from typing import Any

import numpy as np

from gradecheck import cautions
from gradecheck.assessment import Assessment
from gradecheck.decision import Action
from gradecheck.order import OrderLine, first_order_by, part_name, total_cost
from gradecheck.outputs import trust
from gradecheck.outputs.order_files import relocated_text
from gradecheck.reference import name_of
from gradecheck.reorder import Reordered
from gradecheck.units import elevation_unit

WIDTH = 80

ACTION_WORDS = {
    Action.keep: "leave as it is",
    Action.extend: "put in an extension",
    Action.shorten: "take out or exchange an extension",
    Action.too_high: "too high, no length mends it: an engineer decides",
    Action.between_lengths: "too low, no length fits: an engineer decides",
    Action.measure: "measure the clearance first",
    Action.on_site: "set when the final grade is staked",
    Action.relocate: "in the way: relocate",
    Action.outside: "no job reaches it",
    Action.no_elevation: "a ground elevation is missing",
}


def summary_of(a: Assessment) -> dict[str, Any]:
    """Counts, order totals, rejected rows, assumptions and warnings; a review counts in place of what was computed."""
    hydrants = a.inputs.hydrants
    actions = Counter(Action(k).name for k in a.counted.decision.action.tolist())
    return {
        "project": a.inputs.plan.project.name,
        "day": a.today.isoformat(),
        "working_crs": name_of(a.inputs.work),
        "counts": {
            "rows_in_layer": hydrants.total,
            "left_out_by_where": hydrants.total - hydrants.read,
            "read": hydrants.read,
            "hydrants": len(hydrants),
            "rejected": len(hydrants.rejected),
            "firm": int(a.firm.sum()),
            "reviewed": int(a.counted.reviewed.sum()),
        },
        "actions": {k.name: actions[k.name] for k in Action if actions[k.name]},
        "cautions": cautions.counts(a.cautions),
        "rejected": dict(Counter(_kind(r) for r in hydrants.rejected.reason)),
        "order": _totals(a.order, a.inputs.plan.output.unit),
        "cost": _cost(a.order),
        "order_by": first_order_by(a.order),
        "currency": a.inputs.catalog.currency,
        "elevation_unit": elevation_unit(a.inputs.plan.output.unit),
        "settle": trust.settle_figures(a),
        "stable": None if a.inputs.steady is None else trust.stable_figures(a.inputs.steady),
        "heights_moved": [m.text for m in a.inputs.moved],
        "accuracy": list(trust.accuracy_statement(a)),
        "errors": {
            "before_shared_m": a.inputs.errors.before_shared,
            "after_shared_m": a.inputs.errors.after_shared,
            "measured_m": a.inputs.errors.measured,
            "surveyed_m": a.inputs.errors.surveyed,
            "correlation": a.inputs.plan.after.correlation,
            "effect": None if a.effect is None else a.effect.text,
        },
        "assumed": list(a.inputs.assumed),
        "warnings": list(a.warnings),
    }


def order_summary(again: Reordered) -> dict[str, Any]:
    """What a reviewed layer orders."""
    actions = Counter(Action(k).name for k in again.counting.decision.action.tolist())
    return {
        "project": again.plan.project.name,
        "day": date.today().isoformat(),
        "reviewed": again.reviewed,
        "counts": {"reviewed": again.reviewed, "firm": int(again.firm.sum())},
        "actions": {k.name: actions[k.name] for k in Action if actions[k.name]},
        "order": _totals(again.lines, again.plan.output.unit),
        "cost": _cost(again.lines),
        "order_by": first_order_by(again.lines),
        "currency": again.catalog.currency,
        "warnings": list(again.warnings),
    }


def order_text(summary: Mapping[str, Any], where: str) -> str:
    """The order of a reviewed layer for a terminal of 80 columns."""
    edits = "1 review edit counts" if summary["reviewed"] == 1 else f"{summary['reviewed']} review edits count"
    lines = [summary["project"] or "gradecheck", "", edits, "", *_order_lines(summary)]
    if summary["warnings"]:
        lines += ["", "Warnings"]
        for text in summary["warnings"]:
            lines += textwrap.wrap(f"- {text}", WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
    others = "report.html, worksheets.pdf and notices.csv are of the last run: run the plan again to renew them"
    return "\n".join([*lines, "", f"Written to {where}", *textwrap.wrap(others, WIDTH)])


def _kind(reason: str) -> str:
    """A reason without the particulars of its row."""
    return reason.split(": ")[0].split(" of row")[0]


def _totals(lines: tuple[OrderLine, ...], unit: str) -> list[dict[str, Any]]:
    """Quantities over all jobs by family and part, extensions first."""
    found: dict[tuple[str, float, str, str], dict[str, Any]] = {}
    for line in lines:
        key = (line.family, line.length or np.inf, line.item, line.part_number or "")
        total = found.setdefault(
            key,
            {
                "family": line.family,
                "part": part_name(line, unit),
                "part_number": line.part_number,
                "firm": 0,
                "expected": 0.0,
                "order": 0,
                "buy": 0 if line.part_number else None,
                "cost": None if line.cost is None else 0.0,
            },
        )
        total["firm"] += line.quantity_firm
        total["expected"] = round(total["expected"] + line.quantity_expected, 3)
        total["order"] += line.quantity_order
        if line.quantity_buy is not None:
            total["buy"] += line.quantity_buy
        if line.cost is not None:
            total["cost"] = round((total["cost"] or 0.0) + float(line.cost), 2)
    return [found[k] for k in sorted(found)]


def _cost(lines: tuple[OrderLine, ...]) -> float | None:
    cost = total_cost(lines)
    return None if cost is None else float(cost)


def summary_text(summary: Mapping[str, Any], where: str | None = None) -> str:
    """The summary for a terminal of 80 columns."""
    counts = summary["counts"]
    lines = [summary["project"] or "gradecheck", ""]
    left_out = f", {counts['left_out_by_where']} left out by where" if counts["left_out_by_where"] else ""
    lines.append(f"{counts['read']} rows read{left_out}: {counts['hydrants']} hydrants, {counts['rejected']} rejected")
    lines += [f"  {n:>6}  {reason}" for reason, n in summary["rejected"].items()]
    reviewed = f", {counts['reviewed']} reviewed" if counts.get("reviewed") else ""
    lines += ["", f"What to do ({counts['firm']} firm: known heights, nothing held back{reviewed})"]
    lines += [f"  {n:>6}  {name:<16} {ACTION_WORDS[Action[name]]}" for name, n in summary["actions"].items()]
    lines += ["", *_order_lines(summary)]
    settle = trust.settle_text(summary["settle"], summary["currency"])
    lines += ["", *settle] if settle else []
    if summary["errors"]["effect"]:
        lines += ["", *textwrap.wrap(summary["errors"]["effect"].capitalize(), WIDTH, subsequent_indent="  ")]
    stable = trust.stable_text(summary["stable"], summary["elevation_unit"])
    lines += ["", *stable] if stable else []
    for title, key in (("Cautions", "cautions"), ("Assumed", "assumed"), ("Warnings", "warnings")):
        found = summary[key]
        if not found:
            continue
        lines += ["", title]
        items = (
            [f"{n:>6}  {code}" for code, n in found.items()] if isinstance(found, dict) else [f"- {t}" for t in found]
        )
        for item in items:
            lines += textwrap.wrap(item, WIDTH - 2, initial_indent="  ", subsequent_indent="    ")
    if where:
        lines += ["", f"Written to {where}: open report.html first"]
    stored = summary.get("database")
    if stored:
        tables = ", ".join(f"{name} {rows}" for name, rows in stored["tables"].items())
        lines += textwrap.wrap(f"and to {stored['address']}, schema {stored['schema']}: {tables} rows", WIDTH)
    return "\n".join(lines)


_ORDER_HEAD = ("firm", "expected", "to have", "to buy", "cost")


def _order_cells(row: Mapping[str, Any]) -> tuple[str, ...]:
    """The numbers of a line of the order."""
    buy = "-" if row["buy"] is None else str(row["buy"])
    cost = "-" if row["cost"] is None else f"{row['cost']:,.0f}"
    return str(row["firm"]), f"{row['expected']:.1f}", str(row["order"]), buy, cost


def _order_lines(summary: Mapping[str, Any]) -> list[str]:
    rows = summary["order"]
    left_out = relocated_text(summary["actions"].get("relocate", 0))
    if not rows:
        return ["Nothing to order.", *([left_out] if left_out else [])]
    total = "" if summary["cost"] is None else f"{summary['cost']:,.0f}"
    cells = [_order_cells(row) for row in rows]
    # Columns are as wide as they are in most orders, and wider where numbers are larger than that.
    least = zip((6, 10, 9, 8, 9), zip(_ORDER_HEAD, *cells, ("", "", "", "", total), strict=True), strict=True)
    widths = [max(width, *(len(cell) + 1 for cell in column)) for width, column in least]

    def line(name: str, numbers: Sequence[str]) -> str:
        return f"{name[:37]:<38}" + "".join(f"{cell:>{w}}" for cell, w in zip(numbers, widths, strict=True))

    lines = [line("Order", _ORDER_HEAD)]
    by_family: dict[str, list[str]] = defaultdict(list)
    for row, numbers in zip(rows, cells, strict=True):
        name = f"    {row['part']}" + (f" ({row['part_number']})" if row["part_number"] else "")
        by_family[row["family"]].append(line(name, numbers))
    for family, members in by_family.items():
        lines += [f"  family {family}" if family else "  family not stated", *members]
    if any(row["buy"] is None for row in rows):
        lines.append("  '-': not orderable, no part in the catalogue")
    if total:
        lines.append(line(f"  total {summary['currency']}", ("", "", "", "", total)))
    if summary["order_by"] is not None:
        lines.append(f"  order by {summary['order_by']}, the first of these to be ordered")
    return [*lines, *([f"  {left_out}"] if left_out else [])]
