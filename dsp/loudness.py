"""Loudness and true peak, and bringing a sound to both.

Integrated loudness: ITU-R BS.1770-4, by pyloudnorm with the filters of the standard at any rate (its class "DeMan": B. De
Man, "Evaluation of Implementations of the EBU R128 Loudness Measurement", AES 145th Convention, 2018; reference from
memory). A mono file is one channel of the standard, as loudness meters take it.

True peak: four times oversampled, as in BS.1770-4 Annex 2. Where no sample is near the highest found so far, nothing
between samples can be higher, and nothing is oversampled there: the result is the same.
"""

import warnings

import numpy as np
from numpy.typing import NDArray

#: Shortest sound that has a loudness: one gating block of BS.1770, s.
BLOCK_S = 0.4
OVERSAMPLING = 4
#: Half the taps of the oversampling filter, in frames of the sound.
HALF_TAPS = 24
#: Frames looked at together.
STRETCH = 4096
#: The limiter looks this far ahead, and takes as long to let go, s.
LOOK_AHEAD_S = 0.002
#: The limiter keeps this far below the ceiling, dB, since what it does is seen at the oversampled peaks alone.
SAFETY_DB = 0.05
#: Loudness after limiting is brought this near to the target, LU.
NEAR_ENOUGH_LU = 0.02


def integrated_loudness(sound: NDArray[np.float32], rate: int) -> float:
    """Integrated loudness in LUFS of ``sound``, (frames, channels); -inf for silence or less than 0.4 s."""
    import pyloudnorm

    if len(sound) < BLOCK_S * rate:
        return -np.inf
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # the mean of no blocks, where all is silence
        return float(pyloudnorm.Meter(rate, filter_class="DeMan").integrated_loudness(sound))


def _filter() -> NDArray[np.float64]:
    """The oversampling filter, a low-pass at the original half rate."""
    n = np.arange(-HALF_TAPS * OVERSAMPLING, HALF_TAPS * OVERSAMPLING + 1)
    return np.sinc(n / OVERSAMPLING) * np.kaiser(len(n), 7.0)


def _oversampled(stretch: NDArray[np.float64]) -> NDArray[np.float64]:
    """Four times as many frames; each original one stays."""
    from scipy.signal import upfirdn

    full = upfirdn(_filter(), stretch, up=OVERSAMPLING, axis=0)
    skip = HALF_TAPS * OVERSAMPLING
    return full[skip : skip + OVERSAMPLING * len(stretch)]


def _gain_bound() -> float:
    """How many times higher than any sample the oversampled signal can be."""
    taps = np.abs(_filter())
    return float(max(taps[phase::OVERSAMPLING].sum() for phase in range(OVERSAMPLING)))


def true_peak(sound: NDArray[np.float32]) -> float:
    """Highest true peak of ``sound``, (frames, channels), as an amplitude."""
    highest = float(np.max(np.abs(sound), initial=0.0))
    if highest == 0.0:
        return 0.0
    for begin in _loud_stretches(sound, highest / _gain_bound()):
        highest = max(highest, float(np.max(np.abs(_oversampled(_stretch(sound, begin)))[_middle()], initial=0.0)))
    return highest


def _stretch(sound: NDArray[np.float32], begin: int) -> NDArray[np.float64]:
    """Frames from ``begin``, with what the filter needs on both sides."""
    first, last = begin - HALF_TAPS, begin + STRETCH + HALF_TAPS
    inside = sound[max(first, 0) : last].astype(np.float64)
    return np.pad(inside, ((max(-first, 0), last - max(first, 0) - len(inside)), (0, 0)))


def _middle() -> slice:
    return slice(OVERSAMPLING * HALF_TAPS, OVERSAMPLING * (HALF_TAPS + STRETCH))


def _loud_stretches(sound: NDArray[np.float32], above: float) -> list[int]:
    """Beginnings of the stretches in or next to which a sample is above ``above``."""
    starts = np.arange(0, len(sound), STRETCH)
    loud = np.array([np.max(np.abs(sound[max(s - HALF_TAPS, 0) : s + STRETCH + HALF_TAPS])) for s in starts]) > above
    return starts[loud].tolist()


def limit_true_peak(sound: NDArray[np.float32], rate: int, ceiling_db: float) -> NDArray[np.float32]:
    """Return ``sound`` with no true peak above ``ceiling_db`` (dBTP): one gain for all channels, that foresees peaks.

    The gain falls and rises over 2 ms, as a raised cosine; where no peak is near, the sound stays as it is, bit for bit.
    """
    from scipy.ndimage import minimum_filter1d

    ceiling = 10.0 ** ((ceiling_db - SAFETY_DB) / 20.0)
    wanted = np.ones(len(sound))
    loud = _loud_stretches(sound, ceiling / _gain_bound())
    for begin in loud:
        peaks = np.max(np.abs(_oversampled(_stretch(sound, begin)))[_middle()], axis=1)
        a_frame = peaks.reshape(-1, OVERSAMPLING).max(axis=1)[: len(sound) - begin]
        wanted[begin : begin + STRETCH] = np.minimum(1.0, ceiling / np.maximum(a_frame, 1e-9))
    if wanted.min() >= 1.0:
        return sound
    reach = round(LOOK_AHEAD_S * rate)
    window = np.hanning(2 * reach + 3)[1:-1]
    held = minimum_filter1d(wanted, 2 * len(window) + 1, mode="nearest")
    gain = np.ones(len(sound))
    # Only where a gain is below 1 is there anything to smooth.
    low = np.flatnonzero(held < 1.0)
    for span in np.split(low, np.flatnonzero(np.diff(low) > 1) + 1):
        first, last = int(span[0]) - reach, int(span[-1]) + 1 + reach
        around = held[np.clip(np.arange(first - reach, last + reach), 0, len(held) - 1)]
        smooth = np.convolve(around, window / window.sum(), mode="valid")
        begin, end = max(first, 0), min(last, len(gain))
        gain[begin:end] = np.minimum(gain[begin:end], smooth[begin - first : end - first])
    return (sound * gain[:, None]).astype(np.float32)


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
    gain_db = target_lufs - loudness
    for _ in range(6):
        raised = (sound * np.float32(10.0 ** (gain_db / 20.0))).astype(np.float32)
        limited = limit_true_peak(raised, rate, ceiling_db)
        if limited is raised:
            loudness = target_lufs
            break
        loudness = integrated_loudness(limited, rate)
        if abs(loudness - target_lufs) <= NEAR_ENOUGH_LU:
            break
        gain_db += target_lufs - loudness
    else:
        limited = limit_true_peak(raised, rate, ceiling_db)
    return limited, gain_db, loudness, float(20.0 * np.log10(max(true_peak(limited), 1e-10)))
