"""Whether beats are those that were meant."""

import numpy as np
from numpy.typing import NDArray

from tests.material.performances import Performance

#: A beat within this of the one that was meant is right, s; so many of them must be, as a share.
NEAR_S, MOST = 0.06, 0.9
#: A tempo within this share is right; of beats that follow the player, their median.
SAME_TEMPO, SAME_MEDIAN = 0.01, 0.08


def beats_right(performance: Performance, times_s: NDArray[np.float64]) -> bool:
    """Whether ``times_s`` (rising, two or more) are the beats: of the right pace and octave, not between them."""
    meant_s = _meant(performance)
    if len(meant_s) < 4:
        return False
    pace = float(np.median(np.diff(times_s)) / np.median(np.diff(meant_s)))
    if abs(pace - 1.0) > (SAME_TEMPO if performance.steady else SAME_MEDIAN):
        return False
    return float(np.mean(np.abs(meant_s - times_s[_nearest(times_s, meant_s)]) < NEAR_S)) >= MOST


def bar_right(performance: Performance, bar_lines_s: NDArray[np.float64]) -> bool:
    """Whether a bar begins at the one of ``bar_lines_s`` that is next to the middle of the performance."""
    middle_s = 0.5 * (performance.notes[0].onset_s + performance.notes[-1].onset_s)
    line_s = bar_lines_s[int(np.argmin(np.abs(bar_lines_s - middle_s)))]
    beat = int(np.argmin(np.abs(performance.beats_s - line_s)))
    on_beat = abs(float(performance.beats_s[beat]) - line_s) < NEAR_S
    return on_beat and (beat - performance.bar_1) % performance.beats_per_bar == 0


def _meant(performance: Performance) -> NDArray[np.float64]:
    """The beats from the first note to the last."""
    first_s, last_s = performance.notes[0].onset_s, performance.notes[-1].onset_s
    beats_s = performance.beats_s
    return beats_s[(beats_s >= first_s - NEAR_S) & (beats_s <= last_s + NEAR_S)]


def _nearest(times_s: NDArray[np.float64], moments_s: NDArray[np.float64]) -> NDArray[np.int64]:
    after = np.clip(np.searchsorted(times_s, moments_s), 1, len(times_s) - 1)
    return after - (moments_s - times_s[after - 1] < times_s[after] - moments_s)
