"""The text of plan files: encodings, bytes, what is no TOML, what is far too much of it."""

from __future__ import annotations

from tests.corpus import Project, bad
from tests.projects import toml_text


def _text(place: Project, text: str | bytes) -> None:
    place.text = text


def _as_text(place: Project) -> str:
    return toml_text(place.plan)


@bad("plan")
def plan_empty(place: Project) -> None:
    """The plan has no bytes."""
    _text(place, "")


@bad("plan")
def plan_not_toml(place: Project) -> None:
    """A key of the plan is written with a colon."""
    _text(place, _as_text(place).replace('path = "hydrants', 'path: "hydrants'))


@bad("plan")
def plan_utf16(place: Project) -> None:
    """The plan is in UTF-16."""
    _text(place, _as_text(place).encode("utf-16"))


@bad("plan")
def plan_cp1252(place: Project) -> None:
    """The plan is in cp1252."""
    _text(place, ('[project]\nname = "Peña"\n' + _as_text(place)).encode("cp1252"))


@bad("plan")
def plan_with_mark(place: Project) -> None:
    """The plan begins with a byte-order mark."""
    _text(place, b"\xef\xbb\xbf" + _as_text(place).encode())


@bad("plan")
def plan_with_nul(place: Project) -> None:
    """The plan has NUL bytes."""
    _text(place, _as_text(place).encode() + b"\0\0")


@bad("plan")
def plan_is_binary(place: Project) -> None:
    """The plan is the GeoPackage."""
    _text(place, (place.folder / "hydrants.gpkg").read_bytes())


@bad("plan")
def plan_curly_quotes(place: Project) -> None:
    """Quotation marks of the plan are curly."""
    _text(place, _as_text(place).replace('"hydrants.gpkg"', "\u201chydrants.gpkg\u201d"))


@bad("plan")
def plan_backslashes(place: Project) -> None:
    """A path of the plan has backslashes."""
    _text(place, _as_text(place).replace("hydrants.gpkg", "data\\hydrants.gpkg"))


@bad("plan")
def plan_key_twice(place: Project) -> None:
    """A key stands twice in its section."""
    _text(place, _as_text(place).replace('id = "asset_id"', 'id = "asset_id"\nid = "other"'))


@bad("plan")
def plan_section_twice(place: Project) -> None:
    """A section stands twice."""
    _text(place, _as_text(place) + '\n[hydrants]\nid = "asset_id"\n')


@bad("plan")
def plan_nested_deeply(place: Project) -> None:
    """A value of the plan is a list nested five thousand times."""
    _text(place, _as_text(place) + "\n[policy]\nconfidence = " + "[" * 5000 + "]" * 5000 + "\n")


@bad("plan")
def plan_dotted_deeply(place: Project) -> None:
    """A key of the plan is dotted ten thousand times."""
    _text(place, "a" + ".a" * 10_000 + " = 1\n" + _as_text(place))


@bad("plan")
def plan_huge(place: Project) -> None:
    """The plan is thirty megabytes of remarks."""
    _text(place, "# remark\n" * 3_400_000 + _as_text(place))


@bad("plan")
def plan_huge_number(place: Project) -> None:
    """A number of the plan has ten thousand digits."""
    _text(place, _as_text(place) + "\n[policy]\nmax_extensions = " + "9" * 10_000 + "\n")
