"""The files of a confirmation: `confirm.gpkg`, `acceptance.xlsx`, `register.csv`, and `confirm.json` last."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

from gradecheck.confirming import Confirmation
from gradecheck.errors import Finding, OutputError
from gradecheck.locations import is_remote
from gradecheck.outputs import layer, manifest
from gradecheck.outputs.confirm_list import write_acceptance
from gradecheck.outputs.confirm_rows import confirmed_table, register_table
from gradecheck.outputs.order_files import write_csv

PACKAGE = "confirm.gpkg"
RECORD = "confirm.json"
NAMES = (PACKAGE, "acceptance.xlsx", "register.csv", RECORD)
"""All files; the last one tells which of the others belong together."""


def write_confirmation(
    c: Confirmation, summary: Mapping[str, Any], aside: Path, today: date, others: Mapping[str, Path]
) -> list[Path]:
    """Write all files into a folder, which must hold none of them; others: what else belongs to them, by name.

    Raises OutputError, OSError.
    """
    outputs = {**{name: aside / name for name in NAMES[:-1]}, **others}
    plan = c.assessment.inputs.plan
    _write_package(c, outputs[PACKAGE])
    write_acceptance(c, outputs["acceptance.xlsx"], today, plan.output.paper)
    write_csv(register_table(c, today), outputs["register.csv"])
    beside = [(role, Path(os.path.normpath(name))) for role, name in c.files if not is_remote(name)]
    read = manifest.input_files(c.assessment.inputs)
    read += manifest.entries((role, path.as_posix(), path) for role, path in beside)
    read += [manifest.away(role, name, None) for role, name in c.files if is_remote(name)]
    last = aside / RECORD
    manifest.write_manifest(last, plan, read, summary, {}, outputs)
    return [*outputs.values(), last]


def _write_package(c: Confirmation, path: Path) -> None:
    hydrants = c.assessment.inputs.hydrants
    kind = layer.point_type(hydrants.geometry[c.rows])
    try:
        layer.write_table(path, "confirmed", confirmed_table(c), kind, hydrants.crs.to_wkt())
    except layer.WRITE_ERRORS as error:
        raise OutputError(Finding(path.name, f"could not be written ({error})", "check the space and rights")) from None
