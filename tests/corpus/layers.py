"""Hydrant layers."""

from __future__ import annotations

from tests.corpus import Project, bad


@bad("hydrants")
def no_reference_system(place: Project) -> None:
    """No reference system is stated."""
    place.put(place.layer().set_crs(None, allow_override=True))


@bad("hydrants")
def zero_rows(place: Project) -> None:
    """The layer has no rows."""
    place.put(place.layer().iloc[:0])
