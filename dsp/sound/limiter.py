"""A limiter for whole tracks: it foresees every true peak, and leaves all else as it is.

It knows the sound from end to end, so its gain is down when a peak comes, and is the same for all channels. It falls
and rises over 4 ms, as a raised cosine; where no peak is near, every sample stays as it is, bit for bit.
"""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import amplitude_of, power_db
from thumbline.dsp.sound.true_peak import peaks_above

#: The limiter looks this far ahead, and takes as long to let go, s.
LOOK_AHEAD_S = 0.002
#: It keeps this far below the ceiling, dB, since what it does is seen at the oversampled peaks alone.
SAFETY_DB = 0.05
#: A peak scan stays valid for this much additional gain, in dB.
HEADROOM_DB = 1.0


class TrackLimiter:
    """What limiting makes of one sound at any gain; its peaks are looked for once."""

    def __init__(self, sound: NDArray[np.float32], rate: int, ceiling_db: float) -> None:
        self._sound = sound
        self._energy = float(np.vdot(sound, sound))
        self._ceiling = amplitude_of(ceiling_db - SAFETY_DB)
        reach = round(LOOK_AHEAD_S * rate)
        window = np.hanning(2 * reach + 3)[1:-1]
        self._window = window / window.sum()
        self._known_above = np.inf
        self._peaks = np.zeros(0, np.float32)
        #: The latest gain that was asked about, and what was found: questions about one gain follow each other.
        self._latest: tuple[float, list[tuple[int, NDArray[np.float32]]]] = (np.nan, [])

    def works_at(self, gain_db: float) -> bool:
        """Whether anything has to be turned down at this gain."""
        return bool(self._stretches(gain_db))

    def lost_db(self, gain_db: float) -> float:
        """How much of the sound's energy limiting takes at this gain, dB."""
        lost = 0.0
        for begin, gains in self._stretches(gain_db):
            part = self._sound[begin : begin + len(gains)]
            lost += float(np.vdot(part, part) - np.vdot(part * gains[:, None], part * gains[:, None]))
        return -power_db(float(1.0 - lost / self._energy), 1e-9) if lost else 0.0

    def limited(self, gain_db: float, out: NDArray[np.float32] | None = None) -> NDArray[np.float32]:
        """Return the sound at this gain, limited; in ``out`` if that is given."""
        out = np.multiply(self._sound, np.float32(amplitude_of(gain_db)), out=out)
        for begin, gains in self._stretches(gain_db):
            out[begin : begin + len(gains)] *= gains[:, None]
        return out

    def _stretches(self, gain_db: float) -> list[tuple[int, NDArray[np.float32]]]:
        """Where to turn down at this gain: the frame at which each stretch begins, and its gains."""
        if self._latest[0] != gain_db:
            self._latest = (gain_db, self._find_stretches(gain_db))
        return self._latest[1]

    def _find_stretches(self, gain_db: float) -> list[tuple[int, NDArray[np.float32]]]:
        from scipy.ndimage import minimum_filter1d

        ceiling = self._ceiling / amplitude_of(gain_db)
        if ceiling < self._known_above:
            self._known_above = ceiling * amplitude_of(-HEADROOM_DB)
            self._peaks = peaks_above(self._sound, self._known_above)
        over = np.flatnonzero(self._peaks > ceiling)
        if not len(over):
            return []
        reach, margin = len(self._window) // 2, 3 * len(self._window)
        stretches = []
        # Peaks that are near each other are turned down together.
        for group in np.split(over, np.flatnonzero(np.diff(over) > 2 * margin) + 1):
            begin = max(int(group[0]) - margin, 0)
            near = self._peaks[begin : int(group[-1]) + 1 + margin]
            # What is between two frames is turned down by the gain of both.
            higher = np.maximum(near, np.concatenate([near[:1], near[:-1]]))
            wanted = np.minimum(1.0, ceiling / np.maximum(higher, 1e-9))
            held = minimum_filter1d(wanted, 2 * len(self._window) + 1, mode="nearest")
            gains = np.convolve(np.pad(held, reach, mode="edge"), self._window, mode="valid")
            stretches.append((begin, gains.astype(np.float32)))
        return stretches
