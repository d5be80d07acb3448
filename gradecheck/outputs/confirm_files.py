"""The files of a confirmation: `confirm.gpkg`, `acceptance.xlsx`, `register.csv`, and `confirm.json` last."""

from __future__ import annotations

import os
from collections.abc import Mapping
from datetime import date
from pathlib import Path
from typing import Any

import pyogrio.raw
import shapely
from pyogrio.errors import DataSourceError

from gradecheck.confirming import Confirmation
from gradecheck.errors import Finding, OutputError
from gradecheck.outputs import manifest
from gradecheck.outputs.columns import GEOMETRY
from gradecheck.outputs.confirm_list import write_acceptance
from gradecheck.outputs.confirm_rows import confirmed_table, register_table
from gradecheck.outputs.order_files import write_csv

PACKAGE = "confirm.gpkg"


def write_confirmation(c: Confirmation, summary: Mapping[str, Any], aside: Path, today: date) -> list[Path]:
    """Write all files into a folder, which must hold none of them. Raises OutputError, OSError."""
    outputs = {name: aside / name for name in (PACKAGE, "acceptance.xlsx", "register.csv")}
    plan = c.assessment.inputs.plan
    _write_package(c, outputs[PACKAGE])
    write_acceptance(c, outputs["acceptance.xlsx"], today, plan.output.paper)
    write_csv(register_table(c, today), outputs["register.csv"])
    read = [*manifest.input_files(c.assessment.inputs), *_read(c)]
    for path in outputs.values():
        with path.open("rb+") as file:
            os.fsync(file.fileno())
    last = aside / "confirm.json"
    manifest.write_manifest(last, plan, read, summary, {}, outputs)
    return [*outputs.values(), last]


def _read(c: Confirmation) -> list[dict[str, Any]]:
    """What was read beside the plan's inputs: role, path, size, SHA-256."""
    named = [(role, Path(os.path.normpath(name))) for role, name in c.files]
    return [
        {"role": role, "path": path.as_posix(), "bytes": path.stat().st_size, "sha256": manifest.digest(path)}
        for role, path in named
        if path.is_file()
    ]


def _write_package(c: Confirmation, path: Path) -> None:
    table = confirmed_table(c)
    z = bool(len(table)) and bool(shapely.has_z(shapely.from_wkb(table.column(GEOMETRY).to_pylist())).any())
    try:
        pyogrio.raw.write_arrow(
            table, path, layer="confirmed", driver="GPKG", geometry_name=GEOMETRY,
            geometry_type="Unknown" if z else "Point", crs=c.assessment.inputs.hydrants.crs.to_wkt(),
            layer_options={"FID": "fid", "GEOMETRY_NAME": GEOMETRY, "IDENTIFIER": "confirmed",
                           "DESCRIPTION": "What stands at each hydrant after construction"},
        )  # fmt: skip
    except DataSourceError as error:
        raise OutputError(Finding(path.name, f"could not be written ({error})", "check the space and rights")) from None
