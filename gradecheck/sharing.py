"""Errors that go together: what correlated and shared ones change in decisions and in the order. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import date

import numpy as np

from gradecheck.cases import Cases
from gradecheck.catalog import Catalog
from gradecheck.change import GradeChange
from gradecheck.decision import DECIDED, Decision, decide
from gradecheck.order import OrderLine, Work, total_order
from gradecheck.policy import Policy
from gradecheck.probability import Floats, Mixture


@dataclass(frozen=True, slots=True)
class Effect:
    """Hydrants decided and extensions to have: as the plan states the errors, and were they all independent."""

    decided: int
    decided_alone: int
    ordered: int
    ordered_alone: int

    @property
    def text(self) -> str:
        """In words."""
        return (
            f"correlated and shared errors: {self.decided} hydrants decided, {self.ordered} extensions to have; were "
            f"all errors independent, {self.decided_alone} and {self.ordered_alone}"
        )


def effect(
    cases: Cases,
    change: GradeChange,
    decision: Decision,
    lines: Sequence[OrderLine],
    work: Work,
    catalog: Catalog,
    policy: Policy,
    correlation: float,
    today: date,
) -> Effect | None:
    """What common errors do; None where the plan has none. decision, lines: as computed of these cases."""
    if not correlation and not np.any(cases.shared):
        return None
    alone = replace(cases, shared=np.zeros_like(cases.shared), ground=_independent(cases, change, correlation))
    other = decide(alone, policy)
    free = replace(work, firm=np.zeros(len(cases), dtype=bool))
    total = total_order(alone, other, free, catalog, policy, today, 0)
    return Effect(_decided(decision), _decided(other), _pieces(lines), _pieces(total))


def _independent(cases: Cases, change: GradeChange, correlation: float) -> Mixture:
    """The ground with the own errors of both surfaces added as if they knew nothing of one another."""
    ground = cases.ground
    if not correlation:
        return ground
    # The change's own error is sqrt(a² + b² - 2 rho a b).
    both = np.nan_to_num(change.after_sd) * np.nan_to_num(change.before_sd)
    lost: Floats = np.where(change.about_after | change.unchanged, 0.0, 2 * correlation * both)
    return replace(ground, sd=np.sqrt(np.square(ground.sd) + np.repeat(lost, ground.counts)))


def _decided(decision: Decision) -> int:
    return int(np.isin(decision.action, DECIDED).sum())


def _pieces(lines: Sequence[OrderLine]) -> int:
    return sum(line.quantity_order for line in lines if line.length is not None)
