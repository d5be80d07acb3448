"""The page put together: parts, each a template with what it shows, style, script and data in one file.

To add a part: a template in `files/parts`, what it shows in `_context`, its name and title in `PARTS`.
"""

from __future__ import annotations

import base64
import hashlib
import json
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any
from urllib.parse import urlsplit

import numpy as np
from jinja2 import Environment, FunctionLoader, StrictUndefined
from markupsafe import Markup

from gradecheck import __version__
from gradecheck.assessment import Assessment
from gradecheck.outputs.manifest import versions
from gradecheck.outputs.style import MARKS
from gradecheck.reference import name_of
from gradecheck.report import answer, rows, trust
from gradecheck.report.longsections import long_sections
from gradecheck.report.marks import mark_path
from gradecheck.report.picture import change_picture
from gradecheck.surroundings import Surroundings
from gradecheck.units import UNIT_WORDS, elevation_unit, imperial


@dataclass(frozen=True, slots=True)
class Part:
    """One part of the page. name: of its template and of its place in the page."""

    name: str
    title: str


PARTS = (
    Part("answer", "The answer"),
    Part("map", "Every hydrant"),
    Part("sections", "Long sections"),
    Part("order", "Parts to order"),
    Part("sure", "How sure each decision is"),
    Part("settle", "What would settle it"),
    Part("stable", "Where nothing is built, and accuracy"),
    Part("cautions", "Cautions"),
    Part("sources", "What it rests on"),
)
_LIBRARY = ("dispatch", "selection", "color", "interpolate", "timer", "ease", "transition", "drag", "zoom", "quadtree")
_SCRIPTS = ("read", "marks", "map", "table", "detail", "figure", "main")


def write_report(
    a: Assessment, around: Surroundings, summary: Mapping[str, Any], inputs: Sequence[Mapping[str, Any]], path: Path
) -> None:
    """Write report.html. summary: of the run; inputs: the files that were read, as in run.json."""
    path.write_text(report(a, around, summary, inputs), encoding="utf-8", newline="\n")


def report(a: Assessment, around: Surroundings, summary: Mapping[str, Any], inputs: Sequence[Mapping[str, Any]]) -> str:
    """The page as text."""
    plan = a.inputs.plan
    system = rows.MapSystem.of(a, plan.output.basemap is not None)
    picture = change_picture(a.inputs, system.path, imperial(plan.output.unit))
    sections, without = long_sections(a, around)
    data = rows.page_data(a, system, around, sections, picture)
    style, script = _file("style.css"), _script()
    environment = _environment()
    context = {
        **_context(a, summary, inputs),
        "parts": PARTS,
        "picture": picture,
        "around": around,
        "sections": sections,
        "outlets": any(np.isfinite(a.inputs.hydrants.outlet[s.rows]).any() for s in sections),
        "without_section": without,
        "not_shown": max(0, len(a) - plan.output.report_rows),
        "map_system": name_of(system.crs),
        "basemap_host": urlsplit(plan.output.basemap).netloc if plan.output.basemap else "",
        "policy_line": _policy_line(style, script, plan.output.basemap),
        "style": Markup(style),
        "script": Markup(script),
        "data": embedded(data),
    }
    return environment.get_template("page.html").render(context)


def _context(a: Assessment, summary: Mapping[str, Any], inputs: Sequence[Mapping[str, Any]]) -> dict[str, Any]:
    """What the parts show that needs no script."""
    plan = a.inputs.plan
    return {
        "version": __version__,
        "versions": versions(),
        "plan": plan,
        "project": plan.project.name or "Hydrants beside regraded roads",
        "day": a.today.isoformat(),
        "unit_words": UNIT_WORDS[plan.output.unit],
        "currency": a.inputs.catalog.currency,
        "summary": summary,
        "inputs": inputs,
        "answer": answer.answer(a),
        "marks": [(m, summary["actions"][m.value]) for m in MARKS if m.value in summary["actions"]],
        "sure": answer.how_sure(a),
        "bands": answer.band_names(),
        "orders": answer.orders(a),
        "cautions": answer.caution_rows(a),
        "policy": answer.policy_rows(a),
        "rejected": answer.rejected_rows(a),
        "measured": answer.measured_words(a),
        "stable": trust.stable_view(a),
        "settle": trust.settle_view(a),
        "settle_total": a.prospect.rows[0].hydrants if a.prospect.rows else 0,
        "accuracy": summary["accuracy"],
        "elevation_words": UNIT_WORDS[elevation_unit(plan.output.unit)],
    }


def _environment() -> Environment:
    """Templates of the package: everything put in is escaped, a name that is not there is a fault."""
    made = Environment(
        loader=FunctionLoader(_file), autoescape=True, undefined=StrictUndefined, trim_blocks=True, lstrip_blocks=True
    )
    made.filters["size"] = answer.size_words
    made.filters["mark"] = mark_path
    return made


@cache
def _file(name: str) -> str:
    return files("gradecheck.report").joinpath("files", *name.split("/")).read_text(encoding="utf-8")


@cache
def _script() -> str:
    """The library as it was published, with its licence, then the page's own script as one function."""
    notice = _file("vendor/LICENSE.txt").replace("*/", "* /")
    library = "\n".join(_file(f"vendor/d3-{name}.min.js").rstrip() for name in _LIBRARY)
    own = "\n".join(_file(f"script/{name}.js") for name in _SCRIPTS)
    return f"/*!\nd3 modules\n{notice}*/\n{library}\n(() => {{\n'use strict';\n{own}\n}})();\n"


def _policy_line(style: str, script: str, basemap: str | None) -> str:
    """A Content-Security-Policy under which nothing leaves the page, and no script runs but its own."""
    images = "data:"
    if basemap is not None:
        at = urlsplit(basemap)
        images += f" {at.scheme}://{at.netloc}"
    return (
        f"default-src 'none'; script-src '{_sha256(script)}'; style-src '{_sha256(style)}'; img-src {images}; "
        "base-uri 'none'; form-action 'none'"
    )


def _sha256(text: str) -> str:
    return "sha256-" + base64.b64encode(hashlib.sha256(text.encode("utf-8")).digest()).decode("ascii")


def embedded(data: Mapping[str, Any]) -> Markup:
    """Data as JSON that no text in it can end or turn into markup."""
    text = json.dumps(data, ensure_ascii=False, separators=(",", ":"), allow_nan=False)
    for letter in "<>&\u2028\u2029":
        text = text.replace(letter, f"\\u{ord(letter):04x}")
    return Markup(text)
