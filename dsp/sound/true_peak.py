"""True peak: the height of a sound between its samples, as ITU-R BS.1770-4 Annex 2 has it, four times oversampled.

Where no sample near is high enough, nothing between samples can be, and nothing is calculated: the result is the same.
"""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.compilation import kernel

OVERSAMPLING = 4
#: Half the taps of each phase of the oversampling filter, in frames.
HALF = 24


def _phases() -> NDArray[np.float32]:
    """Filters (3, 2 HALF) that read a quarter, half and three quarters of a frame after a sample.

    A sine cardinal under a Kaiser window; tap j is for the sample j - HALF + 1 frames after that one.
    """
    behind = np.arange(1, OVERSAMPLING)[:, None] / OVERSAMPLING
    x = np.arange(2 * HALF)[None, :] - (HALF - 1) - behind
    return (np.sinc(x) * np.i0(7.0 * np.sqrt(1.0 - (x / HALF) ** 2)) / np.i0(7.0)).astype(np.float32)


PHASES = _phases()
#: Frames that are looked at together.
BLOCK = 256


@kernel
def _measure(sound: np.ndarray, phases: np.ndarray, above: float, peaks: np.ndarray) -> None:
    """Raise ``peaks`` to the height of one channel in each frame, where it may be more than ``above``."""
    frames, taps = len(sound), phases.shape[1]
    # Greatest ratio of the sound between samples to the samples themselves.
    limit = above / np.abs(phases).sum(axis=1).max()
    near = np.zeros(BLOCK + taps, np.float32)
    height = np.zeros(BLOCK, np.float32)
    for begin in range(0, frames, BLOCK):
        count = min(BLOCK, frames - begin)
        first = begin - taps // 2 + 1  # of the samples that the filters reach
        low, high = max(first, 0), min(begin + count + taps // 2, frames)
        high_samples = 0
        for n in range(low, high):
            high_samples += abs(sound[n]) > limit
        if high_samples == 0:
            continue
        near[:] = 0.0
        near[low - first : high - first] = sound[low:high]
        here = peaks[begin : begin + count]
        for n in range(count):
            here[n] = max(here[n], abs(sound[begin + n]))
        for phase in range(len(phases)):
            height[:] = 0.0
            for j in range(taps):  # tap by tap, so that neighbouring frames are one vector
                tap = phases[phase, j]
                shifted = near[j : j + BLOCK]
                for n in range(BLOCK):
                    height[n] += tap * shifted[n]
            for n in range(count):
                here[n] = max(here[n], abs(height[n]))


def peaks_above(sound: NDArray[np.float32], above: float) -> NDArray[np.float32]:
    """Height of ``sound``, (frames, channels), from each frame to the next: the highest channel's, as an amplitude.

    Exact where it is more than ``above``; elsewhere it may be given as less, or 0.
    """
    peaks = np.zeros(len(sound), np.float32)
    for channel in range(sound.shape[1]):
        _measure(np.ascontiguousarray(sound[:, channel], np.float32), PHASES, above, peaks)
    return peaks


def true_peak(sound: NDArray[np.float32]) -> float:
    """Highest true peak of ``sound``, (frames, channels), as an amplitude."""
    return float(np.max(peaks_above(sound, float(np.max(np.abs(sound), initial=0.0))), initial=0.0))
