"""The notebooks as files: valid, stripped, portable, of the public API; that they run is seen to by `.ci/run`.

The judge of the format is nbformat's own schema, of the code Python's own parser.
"""

from __future__ import annotations

import ast
import json
import re
from pathlib import Path
from typing import Any

import pytest

import gradecheck

ROOT = Path(__file__).resolve().parents[1]
FOLDER = ROOT / "notebooks"
PATHS = sorted(FOLDER.glob("*.ipynb"))
LONGEST = 40
"""Lines of a code cell."""

# A path that only one machine has: from the root, from a drive, from somebody's home; a URL's path is none.
ABSOLUTE = re.compile(r"(?<![\w.:/])/(?:home|Users|root|tmp|var|opt|mnt|media|usr|work|data)/|\b[A-Za-z]:\\|~/|file:")
# What a finished text does not say, and what would reach out of the notebook.
FORBIDDEN = ("todo", "fixme", "xxx", "lorem", "pip install", "http://", "urlopen", "requests.")


def book(path: Path) -> dict[str, Any]:
    return json.loads(path.read_text(encoding="utf-8"))


def sources(path: Path, kind: str) -> list[str]:
    return ["".join(cell["source"]) for cell in book(path)["cells"] if cell["cell_type"] == kind]


def trees(path: Path) -> list[ast.Module]:
    return [ast.parse(text) for text in sources(path, "code")]


def nodes(path: Path, *kinds: type[ast.AST]) -> list[Any]:
    return [node for tree in trees(path) for node in ast.walk(tree) if isinstance(node, kinds)]


notebooks = pytest.mark.parametrize("path", PATHS, ids=lambda path: path.stem)


def test_there_is_one_for_the_engineer_and_one_for_the_analyst() -> None:
    assert {"engineer", "analyst"} <= {path.stem for path in PATHS}


@notebooks
def test_it_is_valid_by_the_schema_of_the_format(path: Path) -> None:
    nbformat = pytest.importorskip("nbformat", reason="nbformat, the judge of notebooks, is not installed")
    nbformat.validate(nbformat.read(path, as_version=nbformat.NO_CONVERT))


@notebooks
def test_its_outputs_are_stripped(path: Path) -> None:
    cells = [cell for cell in book(path)["cells"] if cell["cell_type"] == "code"]
    assert cells
    assert not [cell["id"] for cell in cells if cell["outputs"] or cell["execution_count"] is not None]
    assert not [cell["id"] for cell in book(path)["cells"] if cell.get("attachments") or cell["metadata"]]


@notebooks
def test_it_asks_for_python_and_for_no_kernel_of_one_machine(path: Path) -> None:
    metadata = book(path)["metadata"]
    assert metadata["kernelspec"] == {"display_name": "Python 3", "language": "python", "name": "python3"}
    assert metadata["language_info"] == {"name": "python"}


@notebooks
def test_no_path_of_one_machine_is_in_it(path: Path) -> None:
    assert [bool(ABSOLUTE.search(text)) for text in ("see /home/me", "C:\\x", "../home/b")] == [True, True, False]
    texts = sources(path, "code") + sources(path, "markdown")
    assert not [found.group() for text in texts for found in ABSOLUTE.finditer(text)]


@notebooks
def test_no_word_is_in_it_that_a_finished_notebook_has_not(path: Path) -> None:
    text = "\n".join(sources(path, "code") + sources(path, "markdown")).lower()
    assert not [word for word in FORBIDDEN if word in text]


@notebooks
def test_prose_comes_first_and_before_every_code_cell(path: Path) -> None:
    kinds = [cell["cell_type"] for cell in book(path)["cells"]]
    assert kinds[0] == "markdown"
    assert "code code" not in " ".join(kinds)
    assert sources(path, "markdown")[0].startswith("# ")


@notebooks
def test_its_code_cells_are_short(path: Path) -> None:
    assert max(len(text.splitlines()) for text in sources(path, "code")) <= LONGEST


@notebooks
def test_it_uses_the_public_names_alone(path: Path) -> None:
    imports = [alias.name for node in nodes(path, ast.Import) for alias in node.names]
    imports += [node.module or "" for node in nodes(path, ast.ImportFrom)]
    assert "gradecheck" in imports
    assert not [name for name in imports if name.startswith("gradecheck.")]
    used = {
        node.attr
        for node in nodes(path, ast.Attribute)
        if isinstance(node.value, ast.Name) and node.value.id == "gradecheck"
    }
    assert used <= set(gradecheck.__all__)
    assert not [node.attr for node in nodes(path, ast.Attribute) if node.attr.startswith("_")]


@notebooks
def test_it_reads_the_sample_beside_it_and_writes_to_a_temporary_folder_alone(path: Path) -> None:
    text = "\n".join(sources(path, "code"))
    assert 'SAMPLE = Path("../sample_data")' in text
    assert "tempfile.TemporaryDirectory()" in text
    named = re.findall(r'SAMPLE / "([^"]+)"', text)
    assert named
    assert not [name for name in named if not (ROOT / "sample_data" / name).is_file()]
    calls = [ast.unparse(node) for node in nodes(path, ast.Call)]
    assert not [call for call in calls if call.startswith("gradecheck.run(")]  # it writes where the plan says
    writing = re.compile(r"\.(?:to_file|to_csv|savefig|write_text|write_bytes)\(|gradecheck\.write\(")
    assert not [call for call in calls if writing.search(call) and not re.search(r"FOLDER|folder|slip|catalogue", call)]


@notebooks
def test_every_plot_has_a_label_with_a_unit_on_both_axes(path: Path) -> None:
    figures = [text for text in sources(path, "code") if "plt.subplots" in text]
    assert figures
    labels = [
        keyword.value
        for node in nodes(path, ast.Call)
        for keyword in node.keywords
        if keyword.arg in ("xlabel", "ylabel")
    ]
    assert len(labels) >= len(figures)
    assert not [text for text in map(ast.unparse, labels) if "(" not in text and "deviation" not in text]
