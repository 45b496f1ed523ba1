"""The test tone, and the level of what comes in: what `thumbline ports` plays and measures, without a device."""

import math

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import amplitude_of, power_db
from thumbline.dsp.errors import InputError

#: No louder than this (peak, dBFS) and no longer than this, in seconds: it goes to an amplifier and to ears.
LOUDEST_DB, LONGEST_S = -12.0, 30.0
LOWEST_HZ, HIGHEST_HZ = 20.0, 5000.0
#: It begins silent, rises over this time, and falls over the other, in seconds.
RISE_S, FALL_S = 2.0, 0.2
#: The rise begins this far below the level asked for, in dB.
RISE_DB = 60.0
#: Samples at this share of full scale count as clipped; a channel softer than this is silent, in dBFS.
CLIPPED, SILENT_DB = 0.999, -90.0
#: Levels are shown down to this power.
LEAST_POWER = 1e-20


def tone(rate: int, hz: float, level_db: float, seconds: float) -> NDArray[np.float64]:
    """Return a sine of shape (frames,): silent at first, rising evenly in dB to ``level_db`` (peak), then falling.

    Raises InputError outside -60 to -12 dBFS, 20 to 5000 Hz, 1 to 30 seconds.
    """
    for name, value, low, high, unit in (
        ("level", level_db, -60.0, LOUDEST_DB, "dBFS"),
        ("frequency", hz, LOWEST_HZ, HIGHEST_HZ, "Hz"),
        ("length", seconds, 1.0, LONGEST_S, "s"),
    ):
        if not low <= value <= high:
            raise InputError(f"{name} of the test tone is {value:g} {unit}; accepted: {low:g} to {high:g}")
    t = np.arange(round(seconds * rate)) / rate
    rise = np.clip(t / min(RISE_S, 0.6 * seconds), 0.0, 1.0)
    gain = amplitude_of(level_db - RISE_DB * (1.0 - rise)) * np.clip(t / 0.01, 0.0, 1.0)
    fall = np.clip((seconds - t) / FALL_S, 0.0, 1.0)
    return gain * 0.5 * (1.0 - np.cos(np.pi * fall)) * np.sin(2.0 * np.pi * hz * t)


class LevelMeter:
    """Root mean square and peak of each channel, of the last block and of all."""

    def __init__(self, channels: int):
        self._squares = np.zeros(channels)
        self._frames = 0
        self.peak = np.zeros(channels)
        self.clipped = np.zeros(channels, np.int64)  #: samples
        self.block_db = np.full(channels, -math.inf)

    def feed(self, block: NDArray[np.float64]) -> None:
        """Take a block of shape (n, channels)."""
        if not len(block):
            return
        squares = np.sum(block**2, axis=0)
        self._squares += squares
        self._frames += len(block)
        magnitude = np.abs(block)
        self.peak = np.maximum(self.peak, magnitude.max(axis=0))
        self.clipped += np.sum(magnitude >= CLIPPED, axis=0)
        self.block_db = power_db(squares / len(block), LEAST_POWER)

    @property
    def rms_db(self) -> NDArray[np.float64]:
        """Level of all that was heard, in dBFS (a full-scale square wave is 0)."""
        return power_db(self._squares / max(self._frames, 1), LEAST_POWER)

    @property
    def peak_db(self) -> NDArray[np.float64]:
        """Highest sample, in dBFS."""
        return power_db(self.peak**2, LEAST_POWER)

    def words(self, channel: int) -> str:
        """Say what should be looked at on a channel, counted from 0; empty if nothing."""
        if self.clipped[channel]:
            return f"clips ({self.clipped[channel]} samples): turn it down"
        if self.peak_db[channel] < SILENT_DB:
            return "silent: not connected, or not played?"
        return ""
