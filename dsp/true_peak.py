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
#: How many times as high as any sample the sound between samples can be.
BOUND = float(np.abs(PHASES).sum(axis=1).max())


@kernel
def _measure(sound: np.ndarray, phases: np.ndarray, above: float, peaks: np.ndarray) -> None:
    """Raise ``peaks`` to the height of one channel in each frame, where it may be more than ``above``."""
    frames = len(sound)
    half = phases.shape[1] // 2
    limit = above / np.abs(phases).sum(axis=1).max()
    since = 2 * half  # frames since the last sample above the limit, seen from half a filter ahead
    padded = np.zeros(2 * half, np.float32)
    for n in range(-half, frames):
        ahead = n + half
        since = 0 if ahead < frames and abs(sound[ahead]) > limit else since + 1
        if n < 0:
            continue
        height = abs(sound[n])
        if since < 2 * half:
            first = n - half + 1
            if first >= 0 and first + 2 * half <= frames:
                near = sound[first : first + 2 * half]
            else:
                for j in range(2 * half):
                    padded[j] = sound[first + j] if 0 <= first + j < frames else np.float32(0.0)
                near = padded
            a, b, c = np.float32(0.0), np.float32(0.0), np.float32(0.0)
            for j in range(2 * half):
                a += phases[0, j] * near[j]
                b += phases[1, j] * near[j]
                c += phases[2, j] * near[j]
            height = max(height, abs(a), abs(b), abs(c))
        peaks[n] = max(peaks[n], height)


def peaks_above(sound: NDArray[np.float32], above: float) -> NDArray[np.float32]:
    """Height of ``sound``, (frames, channels), from each frame to the next: the highest channel's, as an amplitude.

    Exact where it is more than ``above``; elsewhere it may be that of the samples alone.
    """
    peaks = np.zeros(len(sound), np.float32)
    for channel in range(sound.shape[1]):
        _measure(np.ascontiguousarray(sound[:, channel], np.float32), PHASES, above, peaks)
    return peaks


def true_peak(sound: NDArray[np.float32]) -> float:
    """Highest true peak of ``sound``, (frames, channels), as an amplitude."""
    return float(np.max(peaks_above(sound, float(np.max(np.abs(sound), initial=0.0))), initial=0.0))
