"""Bad inputs, made by code, one function each; what is expected of each stands in OUTCOMES.md, which the tests read.

A case changes the project of `tests.projects` (three hydrants, two grounds, a plan) in one respect. Its first line of
documentation says what is wrong. OUTCOMES.md has a row for every case:

stops    nothing is run: exit status 2, a message with the words given, and how to mend it
rejects  the run ends well; rows are rejected for the reason given, and rows in = rows out + rejected
warns    the run ends well and says the words given
runs     the run ends well, since what looks odd is right or makes no difference; the words say what shows that
"""

from __future__ import annotations

import importlib
import pkgutil
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import geopandas as gpd

from tests.projects import plan_values, three, toml_text, write_grounds

OUTCOMES = Path(__file__).with_name("OUTCOMES.md")
KINDS = ("stops", "rejects", "warns", "runs")


@dataclass
class Project:
    """A project that runs, to be spoilt. plan: its tables; text: the plan file as it is written, once that is set."""

    folder: Path
    plan: dict[str, Any] = field(default_factory=plan_values)
    text: str | bytes | None = None
    command: tuple[str, ...] = ()
    """More arguments of `gradecheck run`."""
    held: list[Any] = field(default_factory=list)
    """What stays open while the case runs."""
    allow: str = ""
    """Why this case may not be made here; it is skipped then."""

    def layer(self) -> gpd.GeoDataFrame:
        """The three hydrants, to be spoilt and put back with `put`."""
        return three()

    def put(self, layer: gpd.GeoDataFrame, name: str = "hydrants.gpkg", **options: Any) -> Path:
        """Write the layer of hydrants, and have the plan name it."""
        path = self.folder / name
        path.unlink(missing_ok=True)
        layer.to_file(path, **options)
        self.plan["hydrants"]["path"] = name
        return path

    def raw(self, name: str, content: str | bytes) -> Path:
        """Write any file."""
        path = self.folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
        return path

    def section(self, name: str, **values: Any) -> None:
        """Set keys of a table of the plan; None takes a key away."""
        table = {**self.plan.get(name, {}), **values}
        self.plan[name] = {key: value for key, value in table.items() if value is not None}

    def finish(self) -> Path:
        """The plan file, written."""
        text = toml_text(self.plan) if self.text is None else self.text
        return self.raw("plan.toml", text)


Make = Callable[[Project], None]


@dataclass(frozen=True, slots=True)
class Case:
    """One bad input. kind: of input; wrong: in words."""

    name: str
    kind: str
    wrong: str
    make: Make


CASES: dict[str, Case] = {}


def bad(kind: str) -> Callable[[Make], Make]:
    """A case by the name of its function; kind of input: hydrants, raster, landxml, plan and so on."""

    def keep(make: Make) -> Make:
        name = make.__name__
        if name in CASES:
            raise ValueError(f"two cases are called {name}")
        CASES[name] = Case(name, kind, (make.__doc__ or "").strip().splitlines()[0].rstrip("."), make)
        return make

    return keep


def project(folder: Path) -> Project:
    """A new project in a folder, as it runs."""
    three().to_file(folder / "hydrants.gpkg", layer="hydrants")
    write_grounds(folder)
    return Project(folder)


@dataclass(frozen=True, slots=True)
class Outcome:
    """What is expected of a case: one of KINDS, and words that are said."""

    kind: str
    words: str


def outcomes() -> dict[str, Outcome]:
    """The rows of OUTCOMES.md: case, input, what is wrong, outcome, words (in backquotes)."""
    found = {}
    for line in OUTCOMES.read_text(encoding="utf-8").splitlines():
        cells = [cell.strip() for cell in line.strip().strip("|").split(" | ")]
        if line.startswith("| `") and len(cells) == 5:
            found[cells[0].strip("`")] = Outcome(cells[3], cells[4].strip("`").replace("\\|", "|"))
    return found


def written(told: dict[str, Outcome]) -> str:
    """OUTCOMES.md for the cases that there are, the outcomes as told."""
    head = OUTCOMES.read_text(encoding="utf-8").partition("| case |")[0]
    lines = ["| case | input | what is wrong | outcome | words |", "| --- | --- | --- | --- | --- |"]
    for case in sorted(CASES.values(), key=lambda c: (c.kind, c.name)):
        outcome = told.get(case.name, Outcome("?", "?"))
        words = outcome.words.replace("|", "\\|")
        lines.append(f"| `{case.name}` | {case.kind} | {case.wrong} | {outcome.kind} | `{words}` |")
    return head + "\n".join(lines) + "\n"


for _module in sorted(m.name for m in pkgutil.iter_modules([str(Path(__file__).parent)])):
    if _module != "__main__":
        importlib.import_module(f"tests.corpus.{_module}")
