"""The owner's standard: the window of clearances, the outlet rule, limits and levels of confidence.

Every default is a common value that the owner's standard and local code override (CONTRACT of the plan file).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, model_validator

from gradecheck.units import Length
from gradecheck.validation import Distance, PositiveLength, Section


class Policy(Section):
    """`[policy]` of the plan. Clearances are of the break flange above ground at `flange_point`."""

    flange_point: Literal["bottom", "centre", "top"] = "bottom"
    clearance_min: Distance = Length(2, "in")
    clearance_target: Distance = Length(4, "in")
    clearance_max: Distance = Length(6, "in")
    dressing: Distance = Length(1, "in")
    clearance_spread: Distance = Length(1, "in")
    clearance_as_made: Distance | None = None
    """Clearance that a hydrant has where the ground stands at its bury line; unknown by default."""
    outlet_min: Distance = Length(18, "in")
    outlet_max: Distance = Length(36, "in")
    outlet_from: Literal["ground", "flange"] = "ground"
    fill_review: Distance = Length(2, "ft")
    cut_review: Distance = Length(1, "ft")
    cover_min: PositiveLength | None = None
    branch_diameter: PositiveLength = Length(6.9, "in")
    max_extensions: int = Field(default=1, ge=1, le=5)
    max_extension: PositiveLength | None = None
    confidence: float = Field(default=0.9, ge=0.5, lt=1)
    service_level: float = Field(default=0.9, gt=0, lt=1)

    @model_validator(mode="after")
    def _ordered(self) -> Policy:
        low, aim, high = (v.metres for v in (self.clearance_min, self.clearance_target, self.clearance_max))
        if not low <= aim <= high or low == high:
            raise ValueError(
                "clearance_min, clearance_target and clearance_max must rise in this order: "
                f"{self.clearance_min}, {self.clearance_target}, {self.clearance_max}"
            )
        if self.outlet_min.metres >= self.outlet_max.metres:
            raise ValueError(f"outlet_min {self.outlet_min} must be below outlet_max {self.outlet_max}")
        return self
