"""What can be bought: lengths of extension by family, what goes with them, cost, stock and lead time.

A catalogue is a frozen value; reading one from a file is the business of `formats.tables`.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from typing import Any, Literal

from pydantic import Field, field_validator, model_validator

from gradecheck.errors import PlanError
from gradecheck.units import Length
from gradecheck.validation import PositiveLength, Section, build

_MOST = 1_000_000_000
"""Pieces or money; more is a slip, and no whole number that tables can hold."""
_LONGEST = Length(10, "m")


class Part(Section):
    """What is known of anything that can be ordered."""

    family: str = Field(min_length=1)
    part_number: str = Field(min_length=1)
    supplier: str = ""
    unit_cost: float | None = Field(default=None, ge=0, le=_MOST, allow_inf_nan=False)
    on_hand: int = Field(default=0, ge=0, le=_MOST)
    lead_days: int | None = Field(default=None, ge=0, le=3650)
    pack_size: int = Field(default=1, ge=1, le=_MOST)


class Extension(Part):
    """One length of one family; `description` is made from the length where none is given."""

    length: PositiveLength
    description: str = ""

    @field_validator("length")
    @classmethod
    def _of_a_hydrant(cls, length: Length) -> Length:
        if length.metres > _LONGEST.metres:
            raise ValueError(f"{length} is longer than any hydrant: is its unit right?")
        return length


class Item(Part):
    """What goes with the work: so many `per` new extension ("piece") or per hydrant opened ("visit")."""

    description: str = Field(min_length=1)
    quantity: int = Field(default=1, ge=1, le=1000)
    per: Literal["piece", "visit"]


class CheckValue(Section):
    """A value for the work sheet, printed only as given here and with its source."""

    family: str = Field(min_length=1)
    name: str = Field(min_length=1)
    value: str = Field(min_length=1)
    source: str = Field(min_length=1)


class Catalog(Section):
    """All families. `generic` marks the catalogue that stands in where the plan names none."""

    currency: str = ""
    extension: tuple[Extension, ...] = Field(min_length=1)
    item: tuple[Item, ...] = ()
    check_value: tuple[CheckValue, ...] = ()
    generic: bool = False

    @model_validator(mode="after")
    def _consistent(self) -> Catalog:
        problems = []
        lengths = Counter((e.family, round(e.length.metres, 6)) for e in self.extension)
        for e in {
            (e.family, str(e.length)) for e in self.extension if lengths[e.family, round(e.length.metres, 6)] > 1
        }:
            problems.append(f"length {e[1]} stands twice in family '{e[0]}'")
        families = set(self.families)
        for family in {p.family for p in self.item} | {v.family for v in self.check_value}:
            if family not in families:
                problems.append(f"family '{family}' has an item or check value and no extension")
        stock: dict[str, Part] = {}
        for stocked in (*self.extension, *self.item):
            first = stock.setdefault(stocked.part_number, stocked)
            for name in ("on_hand", "unit_cost", "pack_size", "lead_days", "supplier"):
                if getattr(first, name) != getattr(stocked, name):
                    problems.append(f"part_number '{stocked.part_number}' stands twice with different {name}")
        if problems:
            raise ValueError("; ".join(sorted(set(problems))))
        return self

    @property
    def families(self) -> tuple[str, ...]:
        """Names of the families, in the catalogue's order."""
        return tuple(dict.fromkeys(e.family for e in self.extension))

    def extensions(self, family: str) -> tuple[Extension, ...]:
        """The lengths of one family, shortest first."""
        return tuple(sorted((e for e in self.extension if e.family == family), key=lambda e: e.length.metres))

    def lengths(self, families: Iterable[tuple[str, bool]]) -> tuple[tuple[float, ...], ...]:
        """For each family (name, whether it is in here) the lengths to choose from, metres, rising."""
        return tuple(
            tuple(e.length.metres for e in (self.extensions(name) if known else GENERIC.extensions(GENERIC_FAMILY)))
            for name, known in families
        )

    def items(self, family: str) -> tuple[Item, ...]:
        """What goes with the work for one family."""
        return tuple(i for i in self.item if i.family == family)

    @classmethod
    def parse(cls, values: Mapping[str, Any], where: str = "catalogue") -> Catalog:
        """A catalogue from the tables of a file. Raises PlanError with every finding."""
        catalog, findings = build(cls, values, where)
        if catalog is None:
            raise PlanError(findings)
        return catalog


GENERIC_FAMILY = "generic"

# 6 to 60 in by 6 in: lengths commonly sold (common practice, no source). Not orderable: no part numbers.
GENERIC = Catalog(
    extension=tuple(
        Extension(family=GENERIC_FAMILY, length=Length(n, "in"), part_number=f"generic {n} in") for n in range(6, 61, 6)
    ),
    generic=True,
)
