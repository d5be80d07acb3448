"""The owner's standard: the window of clearances, the outlet rule, limits and levels of confidence.

Every default is a common value that the owner's standard and local code override (CONTRACT of the plan file).
"""

from __future__ import annotations

from typing import Literal

from pydantic import Field, ValidationInfo, field_validator

from gradecheck.units import Length
from gradecheck.validation import Distance, PositiveLength, Section


class Policy(Section):
    """`[policy]` of the plan. Clearances are of the break flange above ground at `flange_point`."""

    flange_point: Literal["bottom", "centre", "top"] = "bottom"
    clearance_min: Distance = Length(2, "in")
    clearance_target: Distance = Length(4, "in")
    clearance_max: Distance = Field(default=Length(6, "in"), validate_default=True)
    dressing: Distance = Length(1, "in")
    clearance_spread: Distance = Length(1, "in")
    clearance_as_made: Distance | None = None
    """Clearance that a hydrant has where the ground stands at its bury line; unknown by default."""
    outlet_min: Distance = Length(18, "in")
    outlet_max: Distance = Field(default=Length(36, "in"), validate_default=True)
    outlet_from: Literal["ground", "flange"] = "ground"
    fill_review: Distance = Length(2, "ft")
    cut_review: Distance = Length(1, "ft")
    setback_min: Distance | None = None
    """Least distance of a hydrant from the edge of the new pavement; none by default: only inside it is in the way."""
    cover_min: PositiveLength | None = None
    branch_diameter: PositiveLength = Length(6.9, "in")
    max_extensions: int = Field(default=1, ge=1, le=5, strict=True)
    max_extension: PositiveLength | None = None
    confidence: float = Field(default=0.9, ge=0.5, lt=1, strict=True)
    service_level: float = Field(default=0.9, gt=0, lt=1, strict=True)

    @field_validator("clearance_max")
    @classmethod
    def _window_rises(cls, high: Length, info: ValidationInfo) -> Length:
        low, aim = info.data.get("clearance_min"), info.data.get("clearance_target")
        if low is None or aim is None:
            return high  # told already
        if not low.metres <= aim.metres <= high.metres or low.metres == high.metres:
            words = "clearance_min, clearance_target and clearance_max must rise in this order"
            raise ValueError(f"{words}: {low}, {aim}, {high}")
        return high

    @field_validator("outlet_max")
    @classmethod
    def _outlet_rises(cls, high: Length, info: ValidationInfo) -> Length:
        low = info.data.get("outlet_min")
        if low is not None and low.metres >= high.metres:
            raise ValueError(f"outlet_min {low} must be below outlet_max {high}")
        return high
