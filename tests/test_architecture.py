"""Who may import whom, over the syntax trees: the stair plan, hydrants and surfaces, change, decision, order, files."""

from __future__ import annotations

import ast
import importlib
from pathlib import Path

import pytest

import gradecheck

PACKAGE = Path(gradecheck.__file__).parent
MODULES = {
    ".".join(path.relative_to(PACKAGE).with_suffix("").parts).removesuffix(".__init__"): path
    for path in sorted(PACKAGE.rglob("*.py"))
    if path != PACKAGE / "__init__.py"
}
TREES = {name: ast.parse(path.read_text(encoding="utf-8")) for name, path in MODULES.items()}

# What each module or package may import of the others; everything may import errors, units and the version.
ANYWHERE = {"errors", "units", "addresses", "locations", "__version__"}
SETTINGS = {"validation", "policy", "plan", "sources", "delivery", "catalog", "doubts"}
CORE = {
    "cases",
    "provenance",
    "probability",
    "choices",
    "clearance",
    "cautions",
    "reasons",
    "checks",
    "nodes",
    "change",
    "setback",
    "chances",
    "decision",
    "order",
    "stable",
    "variogram",
    "measuring",
    "outlook",
    "prospect",
    "sharing",
}
READING = {"reference", "vertical", "layers", "hydrants", "paving", "surfaces", "formats", "engine", "roads", "designs"}
READING |= {"databases", "relations", "webs", "services", "delimited", "readings", "storage", "dbf", "vetting"}
READING |= {"grounds", "groundwork", "nets", "steady", "laying"}
JOB = {"inputs", "inventory", "judging", "measurement", "assessment", "surroundings", "inspection", "pipeline"}
WRITING = {"outputs", "placing", "report", "worksheets"}
SHOWN = {"review", "reference", "hydrants", "walk", "steady"}
SURVEY = {
    "asbuilt",
    "confirmation",
    "confirming",
    "crews",
    "dangers",
    "fieldbook",
    "fieldwork",
    "shots",
    "sifting",
    "workdone",
}
ALLOWED: dict[str, set[str]] = {
    "errors": set(),
    "units": set(),
    "engine": set(),
    "addresses": set(),
    "locations": set(),
    "validation": set(),
    "probability": set(),
    "policy": {"validation"},
    "doubts": {"validation"},
    "catalog": {"validation"},
    "sources": {"validation"},
    "delivery": {"sources", "validation"},
    "plan": {"policy", "catalog", "sources", "delivery", "validation"},
    "roads": {"probability"},
    "formats": {"roads", "catalog", "layers", "fieldbook", "validation", "probability"},
    "designs": {"reference", "vertical", "layers", "surfaces", "formats", "roads", "probability"} | SETTINGS,
    "fieldbook": {"cautions", "probability"},
    "fieldwork": READING | SETTINGS | {"fieldbook", "cautions", "clearance", "probability"},
    "grounds": {"reference", "surfaces", "designs", "roads", "plan", "sources", "validation", "probability"},
    "reference": {"probability"},
    "vertical": {"reference", "probability"},
    "groundwork": {"grounds", "reference", "vertical", "surfaces", "designs", "roads", "sources", "probability"},
    "nets": {"reference", "hydrants", "surfaces", "variogram", "probability"},
    "steady": {"reference", "layers", "grounds", "paving", "plan", "stable", "surfaces", "probability"},
    "laying": READING | SETTINGS | {"clearance", "fieldwork", "stable", "probability"},
    "databases": set(),
    "relations": {"databases", "validation", "probability"},
    "webs": set(),
    "services": {"webs", "validation"},
    "vetting": set(),
    "dbf": set(),
    "storage": {"dbf", "vetting", "probability"},
    "delimited": set(),
    "layers": {"delimited", "relations", "services", "storage", "validation", "vetting", "probability"},
    "surfaces": {"cache", "reference", "roads", "engine", "probability"},
    "readings": {"layers", "plan", "policy", "probability"},
    "hydrants": {"reference", "layers", "plan", "readings", "cautions", "probability"},
    "paving": {"reference", "layers", "plan", "setback", "probability"},
    "cautions": {"probability"},
    "checks": {"probability"},
    "nodes": {"probability"},
    "change": {"surfaces", "nodes", "probability"},
    "setback": {"nodes", "probability"},
    "clearance": {"change", "policy", "probability"},
    "choices": {"probability"},
    "cases": {"policy", "probability"},
    "chances": {"cases", "engine", "policy", "probability"},
    "decision": {"cases", "chances", "engine", "policy", "catalog", "choices", "probability"},
    "order": {"catalog", "cases", "decision", "policy", "choices", "probability"},
    "variogram": {"probability"},
    "stable": {"variogram", "probability"},
    "walk": {"probability"},
    "measuring": {"cases", "chances", "choices", "decision", "policy", "walk", "probability"},
    "outlook": {
        "cases",
        "catalog",
        "chances",
        "choices",
        "engine",
        "decision",
        "measuring",
        "order",
        "policy",
        "probability",
    },
    "sharing": {"cases", "catalog", "change", "decision", "order", "policy", "probability"},
    "prospect": {"cases", "catalog", "decision", "measuring", "outlook", "plan", "policy", "probability"},
    "provenance": {"change", "surfaces", "probability"},
    "reasons": {"cases", "choices", "clearance", "decision", "policy", "probability"},
    "review": {"cases", "choices", "decision", "policy", "probability", "validation"},
    "readback": {"review", "cautions"},
    "former": {"readback", "review", "databases", "relations", "plan"},
    "reorder": SETTINGS | CORE | {"review", "readback", "outputs"},
    "confirmation": {"cases", "policy", "probability"},
    "shots": {"probability"},
    "dangers": {"fieldbook"},
    "sifting": {"confirmation", "probability"},
    "workdone": {"confirmation", "dangers", "fieldbook"},
    "crews": {"assessment", "dangers", "fieldbook", "fieldwork", "workdone"},
    "asbuilt": READING | SETTINGS | {"checks", "fieldbook", "fieldwork", "inputs", "shots", "probability"},
    "confirming": READING | SETTINGS | CORE | SURVEY | {"assessment"},
    "outputs": (
        CORE | SETTINGS | JOB | SURVEY | SHOWN | {"reorder", "grounds", "roads", "surfaces", "databases", "former"}
    )
    - {"pipeline"},
    "inputs": READING | SETTINGS | {"probability", "cautions", "setback", "clearance", "fieldbook", "fieldwork"},
    "inventory": READING | SETTINGS,
    "bars": {"measurement"},
    "wire": CORE | {"judging"},
    "cluster": {"judging", "surfaces", "wire"},
    "judging": CORE | {"surfaces", "policy"},
    "measurement": READING | SETTINGS | {"inputs", "judging", "change", "checks", "probability"},
    "assessment": READING | SETTINGS | CORE | {"inputs", "judging", "measurement", "review"},
    "surroundings": READING | {"inputs", "probability"},
    "inspection": READING | SETTINGS | CORE | {"inputs", "inventory", "measurement", "assessment"},
    "cache": set(),
    "resuming": {"cache", "engine", "judging", "measurement", "wire"},
    "placing": {"outputs", "readback"},
    "pipeline": READING
    | SETTINGS
    | CORE
    | JOB
    | SURVEY
    | SHOWN
    | WRITING
    | {"readback", "former", "reorder", "resuming"},
    "report": (CORE | SETTINGS | JOB | SHOWN | {"outputs", "paving", "surfaces", "worksheets"}) - {"pipeline"},
    "worksheets": (CORE | SETTINGS | JOB | SHOWN | {"formats", "outputs", "paving"}) - {"pipeline"},
    "starter_roads": {"roads", "probability"},
    "starter_survey": {"formats", "probability"},
    "starter": {"starter_roads", "starter_survey", "probability"},
    "__main__": {"cli"},
    "exits": set(),
    "cli": {"exits", "pipeline", "plan", "starter", "outputs", "asbuilt", "bars", "cluster", "resuming"},
}

PURE = [
    "dbf",
    "doubts",
    "units",
    "errors",
    "addresses",
    "locations",
    "policy",
    "catalog",
    "probability",
    "choices",
    "clearance",
    "cautions",
    "reasons",
    "provenance",
    "variogram",
    "stable",
    "walk",
    "measuring",
    "outlook",
    "fieldbook",
    "confirmation",
    "shots",
    "dangers",
    "sifting",
    "workdone",
]
PURE += [
    "checks",
    "nodes",
    "change",
    "setback",
    "chances",
    "decision",
    "order",
    "surfaces",
    "surfaces.design",
    "surfaces.corridor",
    "surfaces.answers",
    "surfaces.shifted",
]
FILES = {"geopandas", "pyogrio", "rasterio", "fiona", "pathlib", "os", "io", "shutil", "tempfile", "glob", "sqlite3"}
TERMINAL_AND_CLOCK = {"sys", "typer", "click", "tqdm", "logging", "time", "random", "subprocess", "threading", "socket"}


def own(name: str) -> str:
    """The module or package that a rule speaks of."""
    return name.split(".")[0]


def imported(tree: ast.Module, *, typing_too: bool = False) -> set[str]:
    """Full names of all that is imported, anywhere in a module; what only type checkers see is left out."""
    found: set[str] = set()
    skipped = set()
    for node in ast.walk(tree):
        if isinstance(node, ast.If) and "TYPE_CHECKING" in ast.unparse(node.test) and not typing_too:
            skipped |= {id(inner) for part in node.body for inner in ast.walk(part)}
    for node in ast.walk(tree):
        if id(node) in skipped:
            continue
        if isinstance(node, ast.Import):
            found |= {alias.name for alias in node.names}
        elif isinstance(node, ast.ImportFrom):
            found |= {f"{node.module}.{alias.name}" for alias in node.names}
    return found


def of_ours(tree: ast.Module) -> set[str]:
    """The package's own modules among what is imported."""
    names = {name.removeprefix("gradecheck.") for name in imported(tree) if name.startswith("gradecheck.")}
    return {own(name) for name in names} - ANYWHERE


def test_every_module_has_its_place_in_the_house() -> None:
    assert {own(name) for name in MODULES} <= set(ALLOWED)


@pytest.mark.parametrize("name", MODULES)
def test_imports_run_down_the_stair(name: str) -> None:
    here = own(name)
    assert of_ours(TREES[name]) - {here} <= ALLOWED[here]


@pytest.mark.parametrize("name", MODULES)
def test_no_relative_imports_hide_where_a_thing_comes_from(name: str) -> None:
    assert not [n for n in ast.walk(TREES[name]) if isinstance(n, ast.ImportFrom) and n.level]


def test_no_two_modules_import_each_other() -> None:
    graph = {name: set() for name in MODULES}
    for name, tree in TREES.items():
        for other in imported(tree):
            target = other.removeprefix("gradecheck.")
            while target and target not in MODULES:
                target = target.rpartition(".")[0]
            if other.startswith("gradecheck.") and target and target != name:
                graph[name].add(target)
    while graph:
        free = [name for name, others in graph.items() if not others & set(graph)]
        assert free, f"a ring among {sorted(graph)}"
        for name in free:
            del graph[name]


@pytest.mark.parametrize("name", PURE)
def test_the_pure_core_knows_no_file_no_terminal_and_no_clock(name: str) -> None:
    tree = TREES[name]
    libraries = {other.split(".")[0] for other in imported(tree, typing_too=True)}
    assert not libraries & (FILES | TERMINAL_AND_CLOCK)
    calls = {ast.unparse(n.func) for n in ast.walk(tree) if isinstance(n, ast.Call)}
    assert not calls & {"open", "print", "input", "date.today", "datetime.now", "datetime.today", "datetime.utcnow"}


# Where files may be met: the skin, the pipeline and the readers and writers.
WITH_FILES = {
    "cli",
    "plan",
    "sources",
    "pipeline",
    "hydrants",
    "layers",
    "surfaces.blocks",
    "surfaces.tiles",
    "surfaces.collection",
    "surfaces.footprints",
    "surfaces.named",
    "surfaces.virtual",
    "surfaces.remote",
    "starter",
}
WITH_FILES |= {"asbuilt", "confirming", "grounds", "vertical", "inventory", "readback", "reorder", "starter_roads"}
WITH_FILES |= {
    "starter_survey",
    "services",
    "former",
    "placing",
    "cache",
    "resuming",
    "delimited",
    "vetting",
    "storage",
}


@pytest.mark.parametrize("name", MODULES)
def test_files_and_paths_appear_only_at_the_edges(name: str) -> None:
    if name in WITH_FILES or own(name) in ("formats", "designs", "review", "outputs", "report", "worksheets"):
        return
    libraries = {other.split(".")[0] for other in imported(TREES[name])}
    assert not libraries & {"geopandas", "pyogrio", "rasterio", "pathlib", "sqlite3", "shutil", "tempfile", "glob"}


@pytest.mark.parametrize("name", MODULES)
def test_modules_stay_short(name: str) -> None:
    assert len(MODULES[name].read_text(encoding="utf-8").splitlines()) <= 400


@pytest.mark.parametrize("name", MODULES)
def test_nothing_rests_on_an_assert_that_optimised_python_drops(name: str) -> None:
    assert not [n.lineno for n in ast.walk(TREES[name]) if isinstance(n, ast.Assert)]


@pytest.mark.parametrize("name", gradecheck.__all__)
def test_every_public_name_is_there_typed_and_documented(name: str) -> None:
    thing = getattr(gradecheck, name)
    assert name in dir(gradecheck)
    if name == "__version__":
        return
    assert (thing.__doc__ or "").strip()
    tree = ast.parse((PACKAGE / "__init__.py").read_text(encoding="utf-8"))
    assert name in {full.rpartition(".")[2] for full in imported(tree, typing_too=True)}


def test_a_name_that_is_not_public_is_an_attribute_error() -> None:
    with pytest.raises(AttributeError, match="no attribute 'nothing'"):
        gradecheck.nothing  # noqa: B018


@pytest.mark.parametrize("name", ["", *MODULES])
def test_every_module_says_what_it_is(name: str) -> None:
    module = importlib.import_module(f"gradecheck.{name}".rstrip("."))
    assert (module.__doc__ or "").strip()


def test_the_package_is_marked_as_typed() -> None:
    assert (PACKAGE / "py.typed").exists()
