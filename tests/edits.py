"""An analyst's edits in the layer `hydrants`, by plain sqlite3."""

from __future__ import annotations

import sqlite3
import struct
from contextlib import closing
from pathlib import Path
from typing import Any


def with_functions(db: sqlite3.Connection) -> None:
    """What the triggers of the spatial index call (GeoPackage Encoding Standard, annex F.3). Points only."""

    def at(blob: bytes, axis: int) -> float:
        return struct.unpack_from("<d", blob, 8 + 5 + 8 * axis)[0]

    db.create_function("ST_IsEmpty", 1, lambda blob: blob is None or blob[3] >> 4 & 1)
    for axis, letter in enumerate("XY"):
        for end in ("Min", "Max"):
            db.create_function(f"ST_{end}{letter}", 1, lambda blob, axis=axis: at(blob, axis))


def edit(package: Path, hydrant: str, unit: str = "in", **values: Any) -> None:
    """Write action, length and note of one hydrant, with the triggers of the spatial index at work."""
    names = {"length": f"review_extension_{unit}", "action": "review_action", "note": "review_note"}
    columns = ", ".join(f'"{names[k]}" = ?' for k in values)
    with closing(sqlite3.connect(package)) as db, db:
        with_functions(db)
        changed = db.execute(f"UPDATE hydrants SET {columns} WHERE hydrant_id = ?", [*values.values(), hydrant])
        assert changed.rowcount == 1
