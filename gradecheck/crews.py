"""The crews' rows, brought to the hydrants: since the job began as work and heights, at any time as dangers."""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from datetime import date, timedelta

from gradecheck.assessment import Assessment
from gradecheck.dangers import dangers
from gradecheck.errors import listed
from gradecheck.fieldbook import Book, Entry, owners
from gradecheck.fieldwork import owner_notes
from gradecheck.workdone import Meant, Sold, Visit, distinct, visit

FIELD = "--field"
NOTHING = Visit()
_YEAR = timedelta(days=365)


@dataclass(frozen=True, slots=True)
class Crews:
    """Whose rows are, and what is known of the jobs.

    whose: (n,) by entry the hydrant's row, -1 for nobody's. entries: each once. of_the_plan: the identity of those that
    a run takes in already. passed: rows that say of dangers alone, with their hydrant's row. order: the identity of all
    these by their place in the files. notes: what must be said aloud.
    """

    entries: tuple[Entry, ...]
    whose: tuple[int, ...]
    of_the_plan: frozenset[int]
    passed: tuple[tuple[Entry, int], ...]
    order: Mapping[int, int]
    notes: tuple[str, ...]

    @property
    def wrote(self) -> set[int]:
        """Hydrants of which anything is written."""
        return {row for row in (*self.whose, *(row for _, row in self.passed)) if row >= 0}

    @property
    def lost(self) -> tuple[Entry, ...]:
        """Rows of work at ids that no hydrant has."""
        return tuple(e for e, row in zip(self.entries, self.whose, strict=True) if row < 0 and e.work)

    def dangers_of_nobody(self) -> list[tuple[str, str]]:
        """What must be seen to at once at ids that no hydrant has, and in rows without an id."""
        by_name: dict[str, list[Entry]] = defaultdict(list)
        every = [*zip(self.entries, self.whose, strict=True), *self.passed]
        for entry, row in sorted(every, key=lambda item: self.order[id(item[0])]):
            if row < 0:
                by_name[entry.hydrant_id or entry.name].append(entry)
        return [
            (name, f"{text} ({'no hydrant has this id' if rows[0].hydrant_id else 'the row has no hydrant_id'})")
            for name, rows in by_name.items()
            for text in dangers(rows).texts
        ]


def crews(a: Assessment, books: Sequence[Book]) -> Crews:
    """The rows of the plan's forms and of those that the command names."""
    own = a.inputs.field.books if a.inputs.field is not None else ()
    every = (*own, *books)
    entries, again = distinct([book.entries for book in every])
    passed, _ = distinct([book.passed for book in every])
    notes = [f"{FIELD}: {again} rows say again what another file says; they count once"] if again else []
    ids = a.inputs.hydrants.id
    whose = owners([e.hydrant_id for e in entries], ids)
    notes.extend(owner_notes(whose, FIELD))
    named = owners([e.hydrant_id for e in passed], ids).rows
    # A row without an id is nobody's, whatever hydrant has none.
    rows = [row if e.hydrant_id else -1 for e, row in zip(passed, named, strict=True)]
    return Crews(
        entries=tuple(entries),
        whose=whose.rows,
        of_the_plan=frozenset(id(e) for book in own for e in book.entries),
        passed=tuple(zip(passed, rows, strict=True)),
        order={id(e): k for k, e in enumerate(_in_order(every))},
        notes=tuple(notes),
    )


def _in_order(books: Iterable[Book]) -> list[Entry]:
    return [e for book in books for e in sorted((*book.entries, *book.passed), key=lambda e: e.line)]


def sold(a: Assessment) -> list[Sold]:
    """The extensions that a part number names."""
    catalog = a.inputs.catalog
    return [] if catalog.generic else [Sold(e.part_number, e.family, e.length.metres) for e in catalog.extension]


def visits(
    a: Assessment, c: Crews, meant: Sequence[Meant], surveyed: Sequence[date | None], notes: list[str]
) -> tuple[Visit, ...]:
    """(H,) what was written of each hydrant since its job began, and of dangers at any time.

    meant: (H,) what was planned. surveyed: (H,) the day of the survey as built, None unknown.
    """
    sorting = _Sorting()
    every: dict[int, list[Entry]] = defaultdict(list)
    for entry, row in zip(c.entries, c.whose, strict=True):
        if row >= 0:
            sorting.sort(entry, row, id(entry) in c.of_the_plan, _starts(a, row), surveyed[row])
            every[row].append(entry)
    for entry, row in c.passed:
        if row >= 0:
            every[row].append(entry)
    notes.extend(sorting.notes())
    families, parts = a.inputs.families, sold(a)
    found = [NOTHING] * len(a)
    for row, rows in every.items():
        rows.sort(key=lambda e: c.order[id(e)])
        made = visit(sorting.mine[row], families[int(a.inputs.family[row])][0], parts, meant[row], rows)
        if sorting.mine[row] or made.dangers:
            found[row] = made
    return tuple(found)


def _starts(a: Assessment, row: int) -> date | None:
    job = int(a.job[row])
    return a.inputs.jobs.starts.get(a.inputs.jobs.names[job]) if job >= 0 else None


@dataclass(slots=True)
class _Sorting:
    """By hydrant the rows that count; the names of those that are passed over, and of those to be asked about."""

    mine: dict[int, list[Entry]] = field(default_factory=lambda: defaultdict(list))
    early: list[str] = field(default_factory=list)
    late: list[str] = field(default_factory=list)
    stale: list[str] = field(default_factory=list)
    undated: list[str] = field(default_factory=list)

    def sort(self, entry: Entry, row: int, of_the_plan: bool, start: date | None, surveyed: date | None) -> None:
        """One row: work since the job's start, or a height measured since; surveyed: the day of the survey."""
        since = entry.on is not None and (start is None or entry.on >= start)
        if entry.work and _stale(entry.day, start, surveyed):
            self.stale.append(f"{entry.name} of {entry.day}")
        elif entry.work or (not of_the_plan and since):
            self.mine[row].append(entry)
            if entry.day is None:
                self.undated.append(entry.name)
        elif not of_the_plan:
            self.early.append(entry.name)
        elif start is not None and since:
            self.late.append(entry.name)

    def notes(self) -> list[str]:
        """What must be said aloud."""
        told = []
        if self.stale:
            told.append(
                f"{FIELD}: {_rows(self.stale)} of work dated before the job's start, or more than a year before the "
                f"survey, passed over: {listed(self.stale)}; mend the date where it is a slip"
            )
        if self.undated:
            told.append(
                f"{FIELD}: {_rows(self.undated)} of work without a date, taken as done since the job's start: "
                f"{listed(self.undated)}; date them"
            )
        if self.early:
            told.append(
                f"{FIELD}: {_counted(self.early)} made before the work, having no date since the job's start, and "
                f"{'is' if len(self.early) == 1 else 'are'} passed over here: {listed(self.early)}; date them, or give "
                "the file as [measurements] path"
            )
        if self.late:
            told.append(
                f"[measurements]: {_counted(self.late)} made before the work, in spite of a date since the job's "
                f"start: {listed(self.late)}; keep what was measured after it in a file of its own, and give that by "
                f"{FIELD}"
            )
        return told


def _stale(day: date | None, start: date | None, surveyed: date | None) -> bool:
    """Whether work of that day is none of this job's."""
    if day is None:
        return False
    return (start is not None and day < start) or (surveyed is not None and day < surveyed - _YEAR)


def _rows(names: Sequence[str]) -> str:
    return "1 row" if len(names) == 1 else f"{len(names)} rows"


def _counted(names: Sequence[str]) -> str:
    return "1 measurement counts as" if len(names) == 1 else f"{len(names)} measurements count as"
