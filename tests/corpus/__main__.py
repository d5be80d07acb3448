"""`python -m tests.corpus` writes OUTCOMES.md anew with a row for each case, outcomes that are told kept.

`python -m tests.corpus NAME` shows what gradecheck says of one case.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

from tests.corpus import CASES, OUTCOMES, outcomes, project, written
from tests.corpus.running import run

if len(sys.argv) == 1:
    OUTCOMES.write_text(written(outcomes()), encoding="utf-8")
for name in sys.argv[1:]:
    with tempfile.TemporaryDirectory() as folder:
        place = project(Path(folder))
        CASES[name].make(place)
        said = run(place)
        print(f"== {name}: status {said.status}, {said.seconds:.1f} s, {said.peak:.0f} MB\n{said.text}")
