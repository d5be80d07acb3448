"""Numbers as XML writes them: digits, a point, an exponent after e or E; nothing else is one."""

from __future__ import annotations

import re
import warnings
from math import isfinite
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from gradecheck.probability import Floats

_NUMBER = re.compile(r"[+-]?(?:[0-9]+\.?[0-9]*|\.[0-9]+)(?:[eE][+-]?[0-9]+)?")

T = TypeVar("T", np.float64, np.int64)


def numbers(text: str) -> Floats:
    """The numbers in a text, apart by white space or commas. Raises ValueError naming the first word that is none.

    >>> numbers("1068179.5,835199 \\n .25 1.5E+03")
    array([1.0681795e+06, 8.3519900e+05, 2.5000000e-01, 1.5000000e+03])
    >>> numbers("1.5D+03")
    Traceback (most recent call last):
        ...
    ValueError: '1.5D+03' is no number
    """
    text = text.replace(",", " ").strip()
    values = read_numbers(text, np.float64)
    if values is None or not np.isfinite(values).all():
        values = np.array([number(word) for word in text.split()], dtype=np.float64)
    return values


def number(word: str) -> float:
    """One number, as XML writes them. Raises ValueError."""
    word = word.strip()
    if not _NUMBER.fullmatch(word) or not isfinite(float(word)):
        raise ValueError(f"{brief(word)!r} is no number")
    return float(word)


def brief(text: str) -> str:
    """A text of the file, short enough for a message."""
    return text if len(text) <= 40 else f"{text[:37]}..."


def read_numbers(text: str, kind: type[T]) -> NDArray[T] | None:
    """Numbers apart by white space, fast; None where anything else is in the text. It may hold nan and inf."""
    if not text or text.isspace():
        return np.zeros(0, dtype=kind)
    with warnings.catch_warnings(action="error", category=DeprecationWarning):
        try:
            return np.fromstring(text, dtype=kind, sep=" ")
        except (ValueError, DeprecationWarning):
            return None
