"""A band-limited curve between its samples, by Lagrange's polynomials.

Near a peak a parabola through three samples will do while the curve bends little from one to the next. The correlation
of a bright, high note does not: seven of its partials may lie below the analysis signal's limit, and half a sample from
its peak it may have lost a quarter of it.

Of all weights of a given number of samples Lagrange's are the most exact at low frequencies, which move a peak the most
(Laakso, Välimäki, Karjalainen and Laine, "Splitting the unit delay", IEEE Signal Processing Magazine 13, 1996).
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel

#: Samples that are weighed on either side.
REACH = 6
#: Places between two samples for which there are weights.
STEPS = 8


def _weights() -> np.ndarray:
    """Weights (STEPS + 1, 2 REACH) of the samples from REACH - 1 before a place to REACH after it."""
    samples = np.arange(1 - REACH, REACH + 1)
    place = np.arange(STEPS + 1)[:, np.newaxis] / STEPS
    return np.transpose([np.prod((place - (o := samples[samples != at])) / (at - o), axis=1) for at in samples])


WEIGHTS = _weights()


@kernel
def interpolate(curve: np.ndarray, place: float) -> float:
    """Value of ``curve`` at ``place`` (0 or more, to within 1 / ``STEPS``), which is even about 0.

    It must be known for ``REACH`` samples beyond.
    """
    whole = math.floor(place)
    weights = WEIGHTS[int((place - whole) * STEPS + 0.5)]
    first = int(whole) + 1 - REACH
    value = 0.0
    for k in range(2 * REACH):
        value += weights[k] * curve[abs(first + k)]
    return value


@kernel
def refine_peak(curve: np.ndarray, at: int) -> tuple[float, float]:
    """Place and height of the peak about sample ``at``, which is higher than its neighbours."""
    below, above = curve[at - 1], curve[at + 1]
    step = 1.0 / STEPS
    place = at + step * math.floor(STEPS * parabola_vertex(below, curve[at], above) + 0.5)
    height = interpolate(curve, place)
    below, above = interpolate(curve, place - step), interpolate(curve, place + step)
    while above > height and place < at + 1:
        place, below, height, above = place + step, height, above, interpolate(curve, place + 2.0 * step)
    while below > height and place > at - 1:
        place, above, height, below = place - step, height, below, interpolate(curve, place - 2.0 * step)
    shift = parabola_vertex(below, height, above)
    return place + step * shift, height - 0.25 * (below - above) * shift


@kernel
def parabola_vertex(below: float, height: float, above: float) -> float:
    """Place of the top of the parabola through three samples, counted from the middle one; 0 if there is none."""
    bend = below - 2.0 * height + above
    return 0.5 * (below - above) / bend if bend < 0.0 else 0.0
