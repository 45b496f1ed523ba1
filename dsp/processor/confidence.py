"""How sure a reported pitch is: the share of values like it that were right.

The clarity of a period (how well the wave repeats itself) is not a probability: it is 0.97 for a wave that will soon
turn out to be another one, and 0.8 for a note in hiss that is read perfectly. The tables here turn it into one. A value
counts as right if it is within 50 cents of the pitch and so are those of the next 50 ms. The tables are the isotonic
regression (Ayer et al., Ann. Math. Statist. 26, 1955, pool adjacent violators) of right on clarity, read off at a few
clarities, over one half of: model strings, plain, in hiss and with neighbours 17 dB below; recorded notes of an
electric guitar; annotated solos on one mixed channel; damped strings, knocks and bursts of noise. The other half is
what ``tests/references/test_confidence.py`` holds them to. ``python -m tests.material.confidence_material`` makes them.
"""

from typing import Any

import numpy as np
from numpy.typing import NDArray

#: Clarities, and the share of values that were right while the pluck had not yet proved to be a note, and after.
CLARITY = (0.6, 0.7, 0.8, 0.9, 0.95, 0.98, 0.995, 1.0)
UNPROVED = (0.02, 0.141, 0.317, 0.691, 0.753, 0.908, 0.977, 0.995)
PROVED = (0.612, 0.629, 0.629, 0.795, 0.95, 0.974, 0.989, 0.996)


def confidence(clarity: NDArray[np.floating[Any]], proved: bool) -> NDArray[np.float64]:
    """Return the probability, 0 to 1, that pitches of these clarities (0 to 1) are right.

    ``proved``: whether the pluck they follow has been called a note by then. Never falls as ``clarity`` rises.

    >>> confidence(np.array([0.5, 0.9, 1.0]), proved=True).tolist()
    [0.612, 0.795, 0.996]
    """
    return np.interp(clarity, CLARITY, PROVED if proved else UNPROVED)
