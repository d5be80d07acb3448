"""Where each elevation came from, or why there is none, in words. Pure."""

from __future__ import annotations

import numpy as np

from gradecheck import surfaces
from gradecheck.change import GradeChange
from gradecheck.probability import Bools, Ints
from gradecheck.surfaces import design

_UNASKED = "not needed: the ground is unchanged"


def before_sources(change: GradeChange, sampled: Bools, rows: Ints) -> list[str | None]:
    """Where the existing ground of hydrants `rows` (n,) came from, or why it is not there; None if not asked for."""
    texts = surfaces.words(change.before_source[rows], change.before_names)
    unasked = change.unchanged[rows] & np.isnan(change.before[rows])
    none = np.isnan(change.after[rows]) & ~change.unchanged[rows]
    out: list[str | None] = []
    for text, skip, blank, asked in zip(texts, unasked, none, sampled[rows], strict=True):
        out.append(None if not asked or (blank and not skip) else _UNASKED if skip else text)
    return out


def after_sources(change: GradeChange, sampled: Bools, rows: Ints) -> list[str | None]:
    """Where the design ground of hydrants `rows` (n,) came from, or why it is not there; None if not asked for."""
    found = change.after_source[rows]
    texts, codes = surfaces.words(found, change.after_names), change.silence[rows].tolist()
    return [
        None if not asked else _silent(code, source, text) if code else text
        for text, code, source, asked in zip(texts, codes, found, sampled[rows], strict=True)
    ]


def _silent(code: int, source: int, text: str) -> str:
    """Why a design says nothing: what is known of its end, or of its file."""
    if source <= surfaces.IMPLAUSIBLE or source == surfaces.TIED_IN:
        return text
    if source in (surfaces.PAST_END, surfaces.OFF_SECTION) and code != design.UNCHANGED:
        return f"{design.WHY[code]}: {text}"
    return design.WHY[code]


def why_missing(change: GradeChange, row: int) -> str:
    """In words, which ground a hydrant lacks and why; empty where nothing is missing."""
    if np.isnan(change.after[row]) and not change.unchanged[row]:
        code, source = int(change.silence[row]), int(change.after_source[row])
        text = surfaces.WHY[source]
        return f"no design ground: {_silent(code, source, text) if code else text}"
    if np.isnan(change.before[row]):
        return f"no existing ground: {surfaces.WHY.get(int(change.before_source[row]), '')}"
    return ""
