"""Loudness, and bringing a sound to a loudness without passing a true peak.

Integrated loudness: ITU-R BS.1770-4, by the library "loudness" (the C++ of libloudness). A mono file is one channel of
the standard, as loudness meters take it.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import amplitude_db, amplitude_of
from thumbline.dsp.sound.limiter import TrackLimiter
from thumbline.dsp.sound.true_peak import true_peak

#: Shortest sound that has a loudness: one gating block of BS.1770, s.
BLOCK_S = 0.4
#: Below this, in LUFS, the standard's gate at -70 LUFS may take soft playing for silence.
SOFT_LUFS = -55.0
#: Above this, in LUFS, the library counts no further.
LOUD_LUFS = 0.0
#: Softer than this, dBFS, there is nothing to be heard.
SILENCE_DB = -120.0
#: Loudness after limiting is brought this near to the target, in LU ...
NEAR_ENOUGH_LU = 0.02
#: ... in at most this many rounds.
MOST_ROUNDS = 12
#: How often a gain is corrected by what limiting at that gain would take.
MOST_STEPS = 8
#: Limiting takes no more than this, dB: a sound of single knocks is not made as loud as a chord.
MOST_LIMITING_DB = 12.0


def integrated_loudness(sound: NDArray[np.float32], rate: int) -> float:
    """Integrated loudness in LUFS of ``sound``, (frames, channels); -inf for silence or less than 0.4 s."""
    import loudness

    if len(sound) < BLOCK_S * rate:
        return -np.inf
    return loudness.integrated_loudness(np.ascontiguousarray(sound), rate)


def loudness_at_any_level(sound: NDArray[np.float32], rate: int) -> float:
    """Integrated loudness in LUFS of ``sound``, (frames, channels), however soft it is; -inf for silence.

    What is very soft or beyond full scale is measured as if its peak were full scale.
    """
    loudness = integrated_loudness(sound, rate)
    if SOFT_LUFS <= loudness <= LOUD_LUFS:
        return loudness
    peak_db = amplitude_db(float(np.max(np.abs(sound), initial=0.0)), 1e-30)
    if peak_db < SILENCE_DB:
        return -np.inf
    return integrated_loudness(sound * np.float32(amplitude_of(-peak_db)), rate) + peak_db


def normalise(
    sound: NDArray[np.float32],
    rate: int,
    target_lufs: float,
    ceiling_db: float,
    left_out: Sequence[tuple[int, int]] = (),
) -> tuple[NDArray[np.float32], float, float, float]:
    """Bring ``sound``, (frames, channels), to a loudness without passing a true peak, as far as that can be had.

    Returns the sound, the gain that was used (dB), its loudness (LUFS) and its true peak (dBTP). What would have to be
    limited by more than 12 dB stays softer than the target. Silence, and sound shorter than 0.4 s, stays as it is;
    its loudness and peak are -inf.

    Frames that are ``left_out``, rising pairs of the first one and one past the last, do not count as loudness unless
    less than 0.4 s is left without them.
    """
    if len(_without(sound, left_out)) < BLOCK_S * rate:
        left_out = ()
    before = loudness_at_any_level(_without(sound, left_out), rate)
    if not np.isfinite(before):
        return sound, 0.0, before, -np.inf
    limiter = TrackLimiter(sound, rate, ceiling_db)
    wanted_db = gain_db = target_lufs - before
    most_db = wanted_db + MOST_LIMITING_DB
    loudness = before
    out = np.empty_like(sound)
    for _ in range(MOST_ROUNDS):
        gain_db = _gain_db(limiter, wanted_db, most_db)
        limiter.limited(gain_db, out)
        loudness = integrated_loudness(_without(out, left_out), rate) if limiter.works_at(gain_db) else before + gain_db
        missing = target_lufs - loudness
        if abs(missing) <= NEAR_ENOUGH_LU or (gain_db >= most_db and missing > 0.0):
            break
        # Loudness does not fall as energy does: quiet parts do not count, nor do all frequencies alike.
        wanted_db = min(wanted_db + missing, most_db)
    return out, gain_db, loudness, amplitude_db(true_peak(out), 1e-10)


def _without(sound: NDArray[np.float32], spans: Sequence[tuple[int, int]]) -> NDArray[np.float32]:
    if not spans:
        return sound
    firsts, ends = [0, *(end for _, end in spans)], [*(first for first, _ in spans), len(sound)]
    return np.concatenate([sound[first:end] for first, end in zip(firsts, ends, strict=True)])


def _gain_db(limiter: TrackLimiter, wanted_db: float, most_db: float) -> float:
    """The gain that leaves ``wanted_db`` more energy after limiting, by the secant method; ``most_db`` at most."""
    before, missing_before = wanted_db, limiter.lost_db(wanted_db)
    gain_db = min(before + missing_before, most_db)
    for _ in range(MOST_STEPS):
        missing = wanted_db + limiter.lost_db(gain_db) - gain_db
        if abs(missing) < 0.1 * NEAR_ENOUGH_LU or (gain_db >= most_db and missing > 0.0):
            break
        # Near 0 a decibel of gain is lost to the limiter whole.
        slope = (missing - missing_before) / (gain_db - before)
        step = missing / -slope if slope < -0.02 else most_db - gain_db
        before, missing_before = gain_db, missing
        gain_db = min(max(gain_db + step, wanted_db), most_db)
        if gain_db == before:
            break
    return gain_db
