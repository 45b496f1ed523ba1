"""The type of the processor's memory: aligned records of NumPy whose fields are attributes."""

from typing import Any, TypeAlias

import numpy as np

#: One element of a structured array. Numba reaches its fields as attributes, which no type checker can know.
Record: TypeAlias = Any


def record_type(fields: list[Any]) -> np.dtype[Any]:
    """Return an aligned record type whose fields are attributes in plain Python too (compiling switched off)."""
    return np.dtype((np.record, np.dtype(fields, align=True)))
