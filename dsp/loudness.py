"""Loudness, and bringing a sound to a loudness without passing a true peak.

Integrated loudness: ITU-R BS.1770-4, by the library "loudness" (the C++ of libloudness). A mono file is one channel of
the standard, as loudness meters take it.
"""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.true_peak import peaks_above, true_peak

#: Shortest sound that has a loudness: one gating block of BS.1770, s.
BLOCK_S = 0.4
#: The limiter looks this far ahead, and takes as long to let go, s.
LOOK_AHEAD_S = 0.002
#: The limiter keeps this far below the ceiling, dB, since what it does is seen at the oversampled peaks alone.
SAFETY_DB = 0.05
#: Loudness after limiting is brought this near to the target, LU.
NEAR_ENOUGH_LU = 0.02
#: ... in this many rounds, counting on at least so much loudness for a decibel of gain.
MOST_ROUNDS, LEAST_SLOPE = 12, 0.3


def integrated_loudness(sound: NDArray[np.float32], rate: int) -> float:
    """Integrated loudness in LUFS of ``sound``, (frames, channels); -inf for silence or less than 0.4 s."""
    import loudness

    if len(sound) < BLOCK_S * rate:
        return -np.inf
    return loudness.integrated_loudness(np.ascontiguousarray(sound), rate)


def limit_true_peak(sound: NDArray[np.float32], rate: int, ceiling_db: float) -> NDArray[np.float32]:
    """Return ``sound`` with no true peak above ``ceiling_db`` (dBTP): one gain for all channels, that foresees peaks.

    The gain falls and rises over 4 ms, as a raised cosine; where no peak is near, the sound stays as it is, bit for
    bit.
    """
    from scipy.ndimage import minimum_filter1d

    ceiling = 10.0 ** ((ceiling_db - SAFETY_DB) / 20.0)
    peaks = peaks_above(sound, ceiling)
    if np.max(peaks, initial=0.0) <= ceiling:
        return sound
    reach = round(LOOK_AHEAD_S * rate)
    window = np.hanning(2 * reach + 3)[1:-1]
    window /= window.sum()
    margin = 3 * len(window)
    over = np.flatnonzero(peaks > ceiling)
    out = sound.copy()
    # Peaks that are near each other are turned down together.
    for group in np.split(over, np.flatnonzero(np.diff(over) > 2 * margin) + 1):
        begin, end = max(int(group[0]) - margin, 0), min(int(group[-1]) + 1 + margin, len(sound))
        near = peaks[begin:end]
        # What is between two frames is turned down by the gain of both.
        wanted = np.minimum(1.0, ceiling / np.maximum(np.maximum(near, np.concatenate([near[:1], near[:-1]])), 1e-9))
        held = minimum_filter1d(wanted, 2 * len(window) + 1, mode="nearest")
        gain = np.convolve(np.pad(held, reach, mode="edge"), window, mode="valid")
        out[begin:end] *= gain[:, None].astype(np.float32)
    return out


def normalise(
    sound: NDArray[np.float32], rate: int, target_lufs: float, ceiling_db: float
) -> tuple[NDArray[np.float32], float, float, float]:
    """Bring ``sound``, (frames, channels), to a loudness without passing a true peak.

    Returns the sound, the gain that was used (dB), its loudness (LUFS) and its true peak (dBTP). Silence, and what is
    shorter than 0.4 s, stays as it is; its loudness and peak are -inf.
    """
    loudness = integrated_loudness(sound, rate)
    if not np.isfinite(loudness):
        return sound, 0.0, loudness, -np.inf
    gain_db, slope = target_lufs - loudness, 1.0
    limited = sound
    for _ in range(MOST_ROUNDS):
        raised = sound * np.float32(10.0 ** (gain_db / 20.0))
        limited = limit_true_peak(raised, rate, ceiling_db)
        if limited is raised:
            loudness = target_lufs
            break
        before, loudness = loudness, integrated_loudness(limited, rate)
        missing = target_lufs - loudness
        if abs(missing) <= NEAR_ENOUGH_LU:
            break
        # The harder the limiter works, the less a decibel of gain is worth.
        slope = min(max((loudness - before) / gain_db if slope == 1.0 else slope, LEAST_SLOPE), 1.0)
        gain_db += missing / slope
    return limited, gain_db, loudness, float(20.0 * np.log10(max(true_peak(limited), 1e-10)))
