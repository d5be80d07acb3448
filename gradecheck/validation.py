"""The frozen, checked sections that plans, policies and catalogues are made of, and their errors in words.

pydantic does the checking; what it finds is told in our own words, with the key's path and the nearest
known key.
"""

from __future__ import annotations

import difflib
import re
import tomllib
import types
import typing
from collections.abc import Mapping
from dataclasses import replace
from typing import Annotated, Any, Literal, TypeVar

from pydantic import BaseModel, BeforeValidator, ConfigDict, PlainSerializer, ValidationError

from gradecheck.addresses import without_secrets
from gradecheck.errors import Finding, PlanError
from gradecheck.units import Length, unit_named


def _unit(text: object) -> object:
    return unit_named(text) or text if isinstance(text, str) else text


def _at_least_zero(length: Length) -> Length:
    if length.value < 0:
        raise ValueError(f"must not be negative: {length}")
    return length


def _above_zero(length: Length) -> Length:
    if length.value <= 0:
        raise ValueError(f"must be above 0: {length}")
    return length


_as_written = PlainSerializer(str, return_type=str)
AnyLength = Annotated[Length, BeforeValidator(Length.parse), _as_written]
Distance = Annotated[Length, BeforeValidator(lambda v: _at_least_zero(Length.parse(v))), _as_written]
PositiveLength = Annotated[Length, BeforeValidator(lambda v: _above_zero(Length.parse(v))), _as_written]
Unit = Annotated[Literal["in", "ft", "ftUS", "mm", "cm", "m"], BeforeValidator(_unit)]


class Section(BaseModel):
    """A frozen group of settings; unknown keys are errors."""

    model_config = ConfigDict(frozen=True, extra="forbid", arbitrary_types_allowed=True, strict=False)


S = TypeVar("S", bound=Section)


def build(kind: type[S], values: Mapping[str, Any], where: str = "") -> tuple[S | None, list[Finding]]:
    """The section, or every finding that stands in its way. `where` is the path of the section itself."""
    try:
        return kind.model_validate(values), []
    except ValidationError as error:
        return None, _findings(kind, error, where)


def _findings(kind: type[BaseModel], error: ValidationError, where: str) -> list[Finding]:
    found: dict[tuple[str, str], Finding] = {}
    items = error.errors(include_url=False)
    for item in items:
        deeper = any(o["loc"][: len(item["loc"])] == item["loc"] and o is not item for o in items)
        if item["type"] == "too_short" and deeper:
            continue  # short only because its broken entries were set aside
        path, model = _path(kind, item["loc"])
        name = ".".join(p for p in (where, path) if p).replace(".[", "[")
        finding = _in_words(item, name, model)
        finding = finding if finding.mend else replace(finding, mend=_mend(item, name, model))
        found.setdefault((finding.where, finding.what), finding)
    return list(found.values())


def _path(kind: type[BaseModel], loc: tuple[int | str, ...]) -> tuple[str, type[BaseModel] | None]:
    """The key's path as the user wrote it (union tags left out), and the model that holds the last key."""
    parts: list[str] = []
    model: type[BaseModel] | None = kind
    holder: type[BaseModel] | None = kind
    for step in loc:
        if isinstance(step, int):
            parts.append(f"[{step + 1}]")
            continue
        if model is not None and step in model.model_fields:
            parts.append(step)
            holder, model = model, _nested(model.model_fields[step].annotation)
        elif step == loc[-1] and not step.startswith("("):  # "(" begins the tag of a union
            parts.append(step)
            holder = model
    return ".".join(parts), holder


def _nested(annotation: Any) -> type[BaseModel] | None:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        return annotation
    if isinstance(annotation, types.GenericAlias | types.UnionType) or typing.get_origin(annotation):
        return next((m for a in typing.get_args(annotation) if (m := _nested(a))), None)
    return None


NOT_A_KEY: dict[str, Any] = {"key": False}
"""Marks a field that people do not write."""


def _keys(model: type[BaseModel] | None) -> list[str]:
    fields = model.model_fields.items() if model else ()
    return [f.alias or n for n, f in fields if f.json_schema_extra != NOT_A_KEY]


def nearest(word: str, known: typing.Iterable[str]) -> str:
    """ "; did you mean 'x'?", or the list of what is known."""
    names = sorted(known)
    if not names:
        return "there is none"
    plain = {name.lower(): name for name in reversed(names)}
    close = difflib.get_close_matches(word.lower(), list(plain), 1, 0.6)
    return f"did you mean '{plain[close[0]]}'?" if close else f"known here: {', '.join(names)}"


def _in_words(item: Any, name: str, model: type[BaseModel] | None) -> Finding:
    kind, context, given = item["type"], item.get("ctx", {}), item.get("input")
    if kind == "extra_forbidden":
        key = str(item["loc"][-1])
        return Finding(name, "unknown key", nearest(key, _keys(model)))
    if kind == "string_too_short":
        return Finding(name, "must not be empty", "fill it in")
    if kind == "too_short":
        return Finding(name, "needs at least one entry", "add it")
    if kind == "missing":
        field = model.model_fields.get(name) if model else None
        section = field is not None and _nested(field.annotation) is not None
        return Finding(name, "is needed and not there", f"add a section [{name}]" if section else "add it")
    if kind == "value_error":
        return Finding(name, str(context["error"]))
    if kind == "literal_error":
        return Finding(name, f"{_shown(given)} is not one of {context['expected'].replace(' or ', ', ')}")
    if kind in ("greater_than", "greater_than_equal", "less_than", "less_than_equal"):
        sign = {"greater_than": "above", "greater_than_equal": "at least", "less_than": "below"}
        limit = next(iter(context.values()))
        return Finding(name, f"must be {sign.get(kind, 'at most')} {limit}, not {_shown(given)}")
    wanted = _WANTED.get(kind.split("_")[0], "")
    return Finding(
        name, f"must be {wanted}, not {_shown(given)}" if wanted else f"{item['msg'].lower()}: {_shown(given)}"
    )


def _mend(item: Any, name: str, model: type[BaseModel] | None) -> str:
    """How a value is mended of which all that can be said is that it is not as it must be."""
    if item["type"] == "literal_error":
        return "write one of those"
    if item.get("input") is None:
        return f"add a section [{name}]" if "." not in name else "add it"
    kind = item["type"].split("_")[0]
    if kind in _WANTED:
        return _MENDS.get(kind, f"write {_WANTED[kind]}")
    field = model.model_fields.get(name.rpartition(".")[2]) if model else None
    return "change it" if field is None or field.is_required() else "change it, or leave it out to have the default"


def _shown(value: object) -> str:
    return repr(value) if isinstance(value, str | bool | list | dict) else str(value)


_WANTED = {
    "string": "text in quotes",
    "int": "a whole number",
    "float": "a number",
    "finite": "a finite number",
    "bool": "true or false",
    "date": "a date such as 2027-05-03",
    "decimal": "a number",
    "model": "a table of keys",
    "dict": "a table of keys",
    "tuple": "a list",
    "list": "a list",
}


_MENDS = {"model": 'write a table, such as { column = "flange_in", unit = "in" }, or a section in brackets'}


def toml_values(content: bytes, shown: str) -> dict[str, Any]:
    """The tables of a TOML file. Raises PlanError that names the line, shows it, and says how it is written."""
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise PlanError(_no_text(content, shown, error.start)) from None
    if "\0" in text:
        raise PlanError(_no_text(content, shown, content.index(b"\0")))
    try:
        return tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        said, _, at = str(error).rpartition(" (at ")
        number = re.match(r"line (\d+)", at)
        line = text.splitlines()[int(number[1]) - 1 :][:1] if number else []
        row = without_secrets(line[0].strip())[:80] if line else ""
        what = f"is not TOML at {at.removesuffix(')')} ({said})"
        raise PlanError(Finding(shown, f"{what}: {row}" if row else what, _toml_mend(said, row))) from None
    except (RecursionError, ValueError):
        what = "is not TOML that can be read: a value is nested too deeply, or a number has too many digits"
        raise PlanError(Finding(shown, what, "take that value out")) from None


def _no_text(content: bytes, shown: str, at: int) -> Finding:
    if content[:2] in (b"\xff\xfe", b"\xfe\xff"):
        return Finding(shown, "is not UTF-8 text but UTF-16", "save it as UTF-8")
    if content.startswith(b"SQLite format 3"):
        mend = "name the plan, a TOML file; a reviewed GeoPackage is for `gradecheck order`"
        return Finding(shown, "is not UTF-8 text but a database, such as a GeoPackage", mend)
    if b"\0" in content:
        mend = "name a text file in TOML; `gradecheck starter` writes a plan to change"
        return Finding(shown, "is not UTF-8 text but binary data", mend)
    line = content.count(b"\n", 0, at) + 1
    return Finding(shown, f"is not UTF-8 text (line {line})", "save it as UTF-8")


_TOML_MENDS = (
    (r"Unescaped '\\'|hex value|Invalid Unicode", "", 'write paths with "/", on Windows too: "data/design.tif"'),
    ("", "[\u2018\u2019\u201a-\u201f]", 'write straight quotes, ", not curly ones'),
    ("Expected '='", "^[^=]*:", 'write key = "value", with = and not :'),
    ("Expected '='", r"^[^=]*$", 'write key = "value"; a remark begins with #'),
    ("Expected ']'|Invalid initial", r"^\[", "a section stands in brackets, such as [before]"),
    ("Expected ']'|Unclosed array", "", "close the list with ]"),
    (r"Illegal character '\\n'|Unterminated string", "", 'close the quotes: "'),
    (
        "twice|overwrite",
        r"^\[+(before|after)\]",
        "write [[after]] or [[before]] for each of several sources, the first on top",
    ),
    ("twice", "", "the section stands twice: put its keys together in one"),
    ("overwrite", "", "the key stands twice in its section: keep one"),
    ("Invalid value|after a statement", r"\d+[/.]\d+[/.]\d+", "a date is written 2027-05-03, without quotes"),
    ("Invalid value|after a statement", "", 'lengths and text stand in quotes, such as "2 in"'),
)
"""What the parser says, what the line looks like, and what mends it; the first that fits."""


def _toml_mend(said: str, line: str) -> str:
    mends = (m for what, look, m in _TOML_MENDS if re.search(what, said) and re.search(look, line))
    return next(mends, "mend the line named")
