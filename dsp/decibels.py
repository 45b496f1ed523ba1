"""Decibels and what they stand for; compiled code has `thumbline.dsp.memory.tick_ring.decibels`.

A number gives a Python float, which unlike NumPy's leaves arrays of 32 bits what they are.
"""

from typing import Any, overload

import numpy as np
from numpy.typing import NDArray

Array = NDArray[np.floating[Any]]


def _plain(value: Any) -> Any:
    return value if isinstance(value, np.ndarray) else float(value)


@overload
def amplitude_of(db: float) -> float: ...
@overload
def amplitude_of(db: Array) -> NDArray[np.float64]: ...
def amplitude_of(db: Any) -> Any:
    """Return the factor on an amplitude that ``db`` stands for.

    >>> amplitude_of(20.0)
    10.0
    """
    return _plain(10.0 ** (db / 20.0))


@overload
def power_of(db: float) -> float: ...
@overload
def power_of(db: Array) -> NDArray[np.float64]: ...
def power_of(db: Any) -> Any:
    """Return the factor on a power that ``db`` stands for.

    >>> power_of(-20.0)
    0.01
    """
    return _plain(10.0 ** (db / 10.0))


@overload
def amplitude_db(amplitude: float, least: float = ...) -> float: ...
@overload
def amplitude_db(amplitude: Array, least: float = ...) -> NDArray[np.float64]: ...
def amplitude_db(amplitude: Any, least: float = 0.0) -> Any:
    """Return an amplitude in dB; below ``least`` (0 or more) it counts as that.

    >>> amplitude_db(0.1), amplitude_db(0.0, 1e-5)
    (-20.0, -100.0)
    """
    return _plain(20.0 * np.log10(np.maximum(amplitude, least)))


@overload
def power_db(power: float, least: float = ...) -> float: ...
@overload
def power_db(power: Array, least: float = ...) -> NDArray[np.float64]: ...
def power_db(power: Any, least: float = 0.0) -> Any:
    """Return a power in dB; below ``least`` (0 or more) it counts as that.

    >>> power_db(0.1), power_db(0.0, 1e-10)
    (-10.0, -100.0)
    """
    return _plain(10.0 * np.log10(np.maximum(power, least)))
