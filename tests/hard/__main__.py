"""`python -m tests.hard PART...`, by hand: kill, faults, soak, fuzz, mutants, audit. Prints the figures of each.

--seconds: of fuzzing, each reader. --times: of kills, runs of the soak, or mutants (chosen by --seed; else all).
--advisories: a local copy of advisories in the OSV schema, a folder or zip archive, for audit.
"""

from __future__ import annotations

import argparse
import os
from pathlib import Path

os.environ.setdefault("GRADECHECK_THREADS", "1")  # processes are forked here: they must have one thread alone

from tests.hard import audit, fuzz, kills, mutants, soak


def main() -> None:
    """Do the parts that are asked for."""
    asked = argparse.ArgumentParser(description=__doc__)
    asked.add_argument("parts", nargs="+", choices=("kill", "faults", "soak", "fuzz", "mutants", "audit"))
    asked.add_argument("--seconds", type=int, default=60)
    asked.add_argument("--times", type=int)
    asked.add_argument("--seed", type=int, default=1)
    asked.add_argument("--advisories", type=Path)
    said = asked.parse_args()
    for part in said.parts:
        if part == "kill":
            print(kills.at_random(said.times or 100), flush=True)
        elif part == "faults":
            print(kills.at_every_change(), flush=True)
        elif part == "soak":
            print(soak.many_runs(said.times or 200), flush=True)
        elif part == "audit":
            if said.advisories is None:
                asked.error("audit needs --advisories")
            print(audit.against(said.advisories), flush=True)
        elif part == "mutants":
            for line in mutants.survivors(said.times, said.seed):
                print(line, flush=True)
        else:
            for line in fuzz.every_reader(said.seconds):
                print(line, flush=True)


if __name__ == "__main__":
    main()
