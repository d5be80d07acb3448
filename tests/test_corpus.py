"""Every bad input of the corpus has the outcome that OUTCOMES.md says: no traceback, no hang, no silence, no loss."""

from __future__ import annotations

import os
from pathlib import Path

import pytest

from gradecheck.placing import LOCK
from tests.corpus import CASES, KINDS, OUTCOMES, outcomes, project, written
from tests.corpus.running import MEGABYTES, SECONDS, run

TOLD = outcomes()


def test_the_table_and_the_cases_are_the_same() -> None:
    assert OUTCOMES.read_text(encoding="utf-8") == written(TOLD), "run python -m tests.corpus"
    assert set(TOLD) == set(CASES)
    assert {outcome.kind for outcome in TOLD.values()} <= set(KINDS)


def _lying(folder: Path, *but: str) -> dict[str, bytes]:
    """What lies in a folder, but for some of its entries: names and bytes; of what is no file the name."""
    found = (p for p in folder.rglob("*") if p.relative_to(folder).parts[0] not in but)
    return {str(p.relative_to(folder)): p.read_bytes() if p.is_file() else b"" for p in found}


@pytest.mark.parametrize("name", sorted(CASES))
def test_a_bad_input_ends_as_the_table_says(name: str, tmp_path: Path) -> None:
    folder = tmp_path / "town"
    folder.mkdir()
    place = project(folder)
    CASES[name].make(place)
    if place.allow:
        pytest.skip(place.allow)
    expected = TOLD[name]
    place.finish()
    before, results = _lying(folder, "out", ".cache"), _lying(folder / "out")
    said = run(place)
    assert _lying(folder, "out", ".cache") == before, "something was written beside the inputs"
    text = " ".join(said.text.split())
    assert "Traceback" not in said.text
    assert "a fault in gradecheck itself" not in text
    assert said.seconds < SECONDS, "it hangs"
    assert said.peak < MEGABYTES
    assert " ".join(expected.words.split()) in text
    if expected.kind == "stops":
        assert said.status == 2
        assert "mend: " in text
        assert said.record is None
        assert _lying(folder / "out", LOCK) == results
        assert results or not (folder / "out").exists()
        return
    assert said.status == 0
    assert said.record is not None
    counts = said.record["counts"]
    assert counts["read"] == counts["hydrants"] + counts["rejected"]
    assert (counts["rejected"] > 0) == (expected.kind == "rejects")


def test_the_project_that_is_spoilt_runs_before_that(tmp_path: Path) -> None:
    said = run(project(tmp_path))
    assert said.status == 0, said.text
    assert said.record is not None
    assert os.path.exists(tmp_path / "out" / "report.html")  # noqa: PTH110
