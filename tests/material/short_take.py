"""A short take: each string plucked once, from the lowest to the highest, then the low E under three others."""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, damping, render_pluck

RATE = 24_000
SECONDS = 2.4
OPEN_MIDI = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0)
#: String, start and stop in seconds: each by itself, then together.
PLUCKS = (
    *((6, 0.15, 0.35), (5, 0.40, 0.60), (4, 0.65, 0.85), (3, 0.90, 1.10), (2, 1.15, 1.35), (1, 1.40, 1.60)),
    *((1, 1.70, 2.2), (3, 1.75, 2.2), (5, 1.80, 2.0), (6, 1.85, 2.1)),
)


def short_take(rate: int = RATE, seconds: float = SECONDS) -> NDArray[np.float64]:
    """Return frames (n, 6), string 1 first, full scale 1, with noise at -90 dBFS."""
    frames = 3e-5 * np.random.default_rng(11).standard_normal((round(seconds * rate), 6))
    time = np.arange(len(frames)) / rate
    for number, start_s, stop_s in PLUCKS:
        string = GuitarString(OPEN_MIDI[number - 1], 0.0, sensitivity=0.3)
        begin = int(np.searchsorted(time, start_s))
        note, _ = render_pluck(string, Pluck(start_s, string.open_midi, stop_s), time[begin:] - start_s)
        frames[begin:, number - 1] += note * damping(time[begin:], stop_s, 0.01)
    return frames
