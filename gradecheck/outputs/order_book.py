"""order.xlsx from what was counted, held against the order as it was."""

from __future__ import annotations

from collections.abc import Container, Sequence
from datetime import date
from pathlib import Path

from gradecheck.decision import Action
from gradecheck.order import OrderLine
from gradecheck.outputs import order_files, workbook
from gradecheck.outputs.trace import Counting, trace
from gradecheck.plan import Plan

PLACED = "order_placed.csv"
"""A copy of order.csv that a buyer keeps in the folder: what later orders are held against."""


def write_order_book(
    path: Path,
    plan: Plan,
    counting: Counting,
    lines: Sequence[OrderLine],
    today: date,
    target: Path,
    others: Container[str],
) -> Path | None:
    """The workbook, held against the order as placed, or else the former one; where the trace goes on, if too long.

    target: the folder that it goes to; others: the names of files there that are none of ours.
    """
    placed = PLACED if (target / PLACED).exists() else ""
    former = placed or "order.csv"
    book = workbook.Book(
        title=f"Hydrant extensions: {plan.project.name}" if plan.project.name else "Hydrant extensions",
        service_level=plan.policy.service_level,
        lines=lines,
        trace=trace(counting, lines),
        day=today,
        relocated=int((counting.decision.action == Action.relocate).sum()),
        former=None if former in others else order_files.read_csv(target / former),
        placed=placed,
        paper=plan.output.paper,
    )
    return workbook.write_workbook(book, path)
