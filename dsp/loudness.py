"""Loudness, and bringing a sound to a loudness without passing a true peak.

Integrated loudness: ITU-R BS.1770-4, by the library "loudness" (the C++ of libloudness). A mono file is one channel of
the standard, as loudness meters take it.
"""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.track_limiter import TrackLimiter
from thumbline.dsp.true_peak import true_peak

#: Shortest sound that has a loudness: one gating block of BS.1770, s.
BLOCK_S = 0.4
#: Loudness after limiting is brought this near to the target, LU, in at most this many rounds.
NEAR_ENOUGH_LU, MOST_ROUNDS = 0.02, 12
#: How often a gain is corrected by what limiting at that gain would take.
MOST_STEPS = 8


def integrated_loudness(sound: NDArray[np.float32], rate: int) -> float:
    """Integrated loudness in LUFS of ``sound``, (frames, channels); -inf for silence or less than 0.4 s."""
    import loudness

    if len(sound) < BLOCK_S * rate:
        return -np.inf
    return loudness.integrated_loudness(np.ascontiguousarray(sound), rate)


def normalise(
    sound: NDArray[np.float32], rate: int, target_lufs: float, ceiling_db: float
) -> tuple[NDArray[np.float32], float, float, float]:
    """Bring ``sound``, (frames, channels), to a loudness without passing a true peak.

    Returns the sound, the gain that was used (dB), its loudness (LUFS) and its true peak (dBTP). Silence, and what is
    shorter than 0.4 s, stays as it is; its loudness and peak are -inf.
    """
    before = integrated_loudness(sound, rate)
    if not np.isfinite(before):
        return sound, 0.0, before, -np.inf
    limiter = TrackLimiter(sound, rate, ceiling_db)
    wanted_db = gain_db = target_lufs - before
    loudness = before
    out = np.empty_like(sound)
    for _ in range(MOST_ROUNDS):
        gain_db = _gain_db(limiter, wanted_db)
        limiter.limited(gain_db, out)
        loudness = integrated_loudness(out, rate) if limiter.works_at(gain_db) else before + gain_db
        if abs(target_lufs - loudness) <= NEAR_ENOUGH_LU:
            break
        # Loudness does not fall as energy does: what is quiet does not count, nor do all frequencies alike.
        wanted_db += target_lufs - loudness
    return out, gain_db, loudness, float(20.0 * np.log10(max(true_peak(out), 1e-10)))


def _gain_db(limiter: TrackLimiter, wanted_db: float) -> float:
    """The gain that leaves ``wanted_db`` more energy after limiting, as far as that can be had."""
    gain_db = wanted_db
    for _ in range(MOST_STEPS):
        step = wanted_db + limiter.lost_db(gain_db) - gain_db
        gain_db += step
        if abs(step) < 0.1 * NEAR_ENOUGH_LU:
            break
    return gain_db
