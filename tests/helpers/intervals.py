"""Intervals between frequencies."""

from typing import overload

import numpy as np
from numpy.typing import ArrayLike, NDArray


@overload
def cents(hz: float, reference_hz: float) -> float: ...
@overload
def cents(hz: NDArray[np.floating], reference_hz: ArrayLike) -> NDArray[np.float64]: ...
def cents(hz: ArrayLike, reference_hz: ArrayLike) -> float | NDArray[np.float64]:
    """Return the interval from ``reference_hz`` up to ``hz`` in cents, 100 to the semitone; arrays broadcast.

    What is not a frequency of a tone (zero, negative, NaN) gives NaN.
    """
    both = [np.asarray(each, np.float64) for each in (hz, reference_hz)]
    octaves = [np.log2(np.where(each > 0.0, each, np.nan)) for each in both]
    found = 1200.0 * (octaves[0] - octaves[1])
    return float(found) if found.ndim == 0 else found
