"""What can go wrong, said once: what, where, how to mend it.

Everything that a user can cause is a `GradecheckError` carrying one or more `Finding`; readers gather
all their findings before they raise. Anything else that escapes is a fault of the program.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass


@dataclass(frozen=True, slots=True)
class Finding:
    """One problem: `where` it is (key path, file, row), `what` is wrong, how to `mend` it."""

    where: str
    what: str
    mend: str = ""

    def __str__(self) -> str:
        text = f"{self.where}: {self.what}" if self.where else self.what
        return f"{text} -> {self.mend}" if self.mend else text

    @property
    def lines(self) -> str:
        """For a terminal: how to mend it on a line of its own."""
        mend = f"\n      mend: {self.mend}" if self.mend else ""
        return f"{self.where}: {self.what}{mend}"

    def as_dict(self) -> dict[str, str]:
        """For programs."""
        return {"where": self.where, "what": self.what, "mend": self.mend}


class GradecheckError(Exception):
    """The root: a list of findings for a person to mend."""

    title = "cannot go on"

    def __init__(self, findings: Finding | Iterable[Finding]):
        self.findings: tuple[Finding, ...] = (findings,) if isinstance(findings, Finding) else tuple(findings)
        super().__init__("\n".join(str(f) for f in self.findings))


class PlanError(GradecheckError):
    """The plan, the flags or the catalogue cannot be used as written."""

    title = "the plan cannot be used"


class InputError(GradecheckError):
    """An input file cannot be read or does not fit the others."""

    title = "an input cannot be used"


class OutputError(GradecheckError):
    """The output place cannot be written to."""

    title = "the output folder cannot be used"


def listed(items: Iterable[object], before: str = "", most: int = 5) -> str:
    """The first few of some things, and how many more there are; `before` them where there are any.

    >>> listed(["a", "b"], "rows: "), listed([], "no rows: "), listed("abcdefg")
    ('rows: a, b', 'no rows', 'a, b, c, d, e and 2 more')
    """
    texts = [str(item) for item in items]
    more = f" and {len(texts) - most} more" if len(texts) > most else ""
    return before + ", ".join(texts[:most]) + more if texts else before.rstrip(": ")
