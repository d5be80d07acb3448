"""Which versions an advisory is of, as the OSV schema says (section "Evaluation" and its examples of events)."""

from __future__ import annotations

import json
import zipfile
from pathlib import Path
from typing import Any

import pytest

from tests.hard.audit import affects, by_package


def advisory(*events: dict[str, str], versions: tuple[str, ...] = (), **more: Any) -> dict[str, Any]:
    ranges = [{"type": "ECOSYSTEM", "events": list(events)}] if events else []
    package = {"name": "Some.Thing", "ecosystem": "PyPI"}
    return {"id": "X-1", "affected": [{"package": package, "ranges": ranges, "versions": list(versions)}], **more}


@pytest.mark.parametrize(
    ("one", "hit", "missed"),
    [
        (advisory({"introduced": "0"}, {"fixed": "1.2"}), ["0.1", "1.1.9", "1.2rc1"], ["1.2", "2.0"]),
        (advisory({"introduced": "1.0"}, {"last_affected": "1.2"}), ["1.0", "1.2"], ["0.9", "1.2.1"]),
        (
            advisory({"fixed": "3.1"}, {"introduced": "3.0"}, {"fixed": "2.1"}, {"introduced": "2.0"}),
            ["2.0.5", "3.0"],
            ["1.9", "2.1", "2.9", "3.1"],
        ),
        (advisory({"introduced": "0"}), ["0.0.1", "99"], []),
        (advisory(versions=("1.4", "1.5")), ["1.4"], ["1.4.1"]),
        (advisory({"introduced": "not a version"}, {"introduced": "2"}), ["2"], ["1"]),
    ],
)
def test_versions_are_judged_as_the_schema_says(one: dict[str, Any], hit: list[str], missed: list[str]) -> None:
    assert all(affects(one, "some-thing", version) for version in hit)
    assert not any(affects(one, "some-thing", version) for version in missed)
    assert not affects(one, "another-thing", hit[0])


def test_what_is_withdrawn_or_of_another_ecosystem_counts_for_nothing(tmp_path: Path) -> None:
    other = advisory({"introduced": "0"})
    other["affected"][0]["package"]["ecosystem"] = "npm"
    assert not affects(other, "some-thing", "1")
    several = [advisory({"introduced": "0"}), other, advisory({"introduced": "0"}, withdrawn="2024-01-01T00:00:00Z")]
    with zipfile.ZipFile(tmp_path / "all.zip", "w") as archive:
        for number, one in enumerate(several):
            archive.writestr(f"{number}.json", json.dumps(one))
            (tmp_path / f"{number}.json").write_text(json.dumps(one), encoding="utf-8")
    for copy in (tmp_path / "all.zip", tmp_path):
        assert dict(by_package(copy)) == {"some-thing": several[:1]}
