"""The order totalled again from a reviewed GeoPackage, and from nothing else."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from datetime import date
from pathlib import Path
from typing import Any

import pyarrow as pa

from gradecheck.catalog import Catalog
from gradecheck.decision import decide
from gradecheck.errors import Finding, GradecheckError, InputError
from gradecheck.order import OrderLine, Work, total_order
from gradecheck.outputs.basis import cases_of
from gradecheck.outputs.trace import Counting
from gradecheck.plan import Plan
from gradecheck.probability import Bools
from gradecheck.readback import Former, read_former, read_table
from gradecheck.review import Edit, Review, changed, changed_text, counted


@dataclass(frozen=True, slots=True)
class Reordered:
    """The order of a reviewed layer.

    ids: (H,) hydrants, and what of them changes in the layer: firm (H,), changed (H,) in words or None.
    reviewed: how many edits count. warnings: edits that cannot, and what else must be said.
    counting: what the lines were totalled from.
    """

    plan: Plan
    catalog: Catalog
    lines: tuple[OrderLine, ...]
    ids: tuple[str, ...]
    firm: Bools
    changed: tuple[str | None, ...]
    reviewed: int
    warnings: tuple[str, ...]
    counting: Counting


def reorder(package: Path, shown: str, today: date) -> Reordered:
    """Total the order again. Raises InputError where the file is none of ours, or of a former version."""
    if not package.is_file():
        raise InputError(Finding(shown, "no such file", "name the GeoPackage that a run wrote"))
    former = read_former(package, shown)
    need = {"plan", "catalog", "families", "jobs", "measure_sd"}
    if not need <= set(former.metadata):
        what = "does not hold what its order rests on: it is no GeoPackage of this program, or of a former version"
        mend = "name the gradecheck.gpkg in a run's folder; if it is one, run its plan again: edits are carried over"
        raise InputError(Finding(shown, what, mend))
    try:
        return _reordered(package, shown, today, former)
    except GradecheckError:
        raise
    except (KeyError, ValueError, TypeError, OSError) as error:
        what = f"what its order rests on cannot be read ({str(error).splitlines()[0][:120]})"
        raise InputError(Finding(shown, what, "run the plan again, into the same folder")) from None


def _reordered(package: Path, shown: str, today: date, former: Former) -> Reordered:
    said: Mapping[str, Any] = former.metadata
    plan, catalog = Plan.parse(said["plan"], package.parent), Catalog.parse(said["catalog"], shown)
    families = tuple((str(f["name"]), bool(f["in_catalog"])) for f in said["families"])
    basis = read_table(package, "order_basis")
    cases, job, firm = cases_of(basis, catalog.lengths(families), float(said["measure_sd"]))
    ids = tuple(basis.column("hydrant_id").to_pylist())
    decision = decide(cases, plan.policy)
    layer = read_table(package, "hydrants")
    streets = _streets(layer, plan.hydrants.street)
    review, warnings = _beside(former.edits, ids, set(streets))
    unit = plan.output.unit
    taken = counted(review, cases, decision, plan.policy, unit)
    names = tuple(str(j["name"]) for j in said["jobs"])
    starts = {str(j["name"]): date.fromisoformat(j["starts"]) if j["starts"] else None for j in said["jobs"]}
    firm = taken.firm(firm)
    since = changed(review, decision, unit)
    work = Work(job, cases.family, firm, names, starts, families, unit)
    lines = total_order(cases, taken.decision, work, catalog, plan.policy, today, plan.project.work_days_before)
    return Reordered(
        plan=plan,
        catalog=catalog,
        lines=tuple(lines),
        ids=ids,
        firm=firm,
        changed=tuple(since),
        reviewed=int(taken.reviewed.sum()),
        warnings=(*warnings, *taken.told, *changed_text(since, ids)),
        counting=Counting(
            ids, tuple(streets.get(i) for i in ids), taken.reviewed, cases, taken.decision, work, catalog, plan.policy
        ),
    )


def _streets(layer: pa.Table, column: str | None) -> dict[str, str | None]:
    """The street of every hydrant that is in the layer, by id."""
    ids = layer.column("hydrant_id").to_pylist()
    if column is None or column not in layer.column_names:
        return dict.fromkeys(ids)
    return {i: None if s is None else str(s) for i, s in zip(ids, layer.column(column).to_pylist(), strict=True)}


def _beside(edits: tuple[Edit, ...], ids: tuple[str, ...], there: set[str]) -> tuple[Review, list[str]]:
    """Edits by id: the layer is the one that they were written in."""
    row = {name: i for i, name in enumerate(ids)}
    at: list[Edit | None] = [None] * len(ids)
    lost = []
    for edit in edits:
        if edit.hydrant_id in row and at[row[edit.hydrant_id]] is None and edit.hydrant_id in there:
            at[row[edit.hydrant_id]] = edit
        elif edit.hydrant_id in there:
            lost.append(edit.hydrant_id)
    warnings = [f"{name}: its row was not in the run that wrote the layer; it is not counted" for name in lost]
    gone = [name for name in ids if name not in there]
    if gone:
        shown = ", ".join(gone[:5]) + (" ..." if len(gone) > 5 else "")
        warnings.append(
            f"deleted from the layer and counted as computed: {len(gone)} ({shown}); "
            "to leave one out, bring it back and set review_action to 'keep' or 'relocate'"
        )
    return Review(tuple(at)), warnings
