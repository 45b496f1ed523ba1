"""Guides a player through an open-strings take, listening all the while: silence, then string by string.

Pure but for what it is given: blocks come from a device or from a file, and what is to be said goes to a function. It
decides only when to go on; what the take says of the guitar is measured afterwards, by
``thumbline.dsp.calibration.calibrate``.
"""

from collections import deque
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import power_db
from thumbline.dsp.rig.model import Rig

#: Silence at the beginning, in seconds.
SILENCE_S = 2.0
#: Plucks of each string, and how long the last one is listened to, in seconds.
PLUCKS, RING_S = 3, 0.8
#: A string that is not played for this long is passed over, in seconds.
PATIENCE_S = 20.0
#: Levels are taken over windows of this length, in seconds.
WINDOW_S = 0.02
#: A pluck is this much above the floor, rises by so much within ``RISE_WINDOWS`` windows, and comes no sooner than
#: ``APART_S`` after the one before.
ABOVE_FLOOR_DB, RISE_DB, RISE_WINDOWS, APART_S = 20.0, 6.0, 3, 0.25
#: A channel quieter than this has no noise of its own; one louder than this, with hands off, is not silent, in dBFS.
LOWEST_FLOOR_DB, NOISY_DB = -85.0, -35.0
#: Silence is steady within this, in dB.
STEADY_DB = 6.0

Say = Callable[[str], None]


@dataclass(frozen=True)
class Guided:
    """What was heard, string by string, string 1 first."""

    plucks: tuple[int, ...]  #: counted on each string when it was asked for
    complete: bool  #: False if the sound ended first


class _Ear:
    """Levels of the strings' channels, window by window."""

    def __init__(self, blocks: Iterable[NDArray[np.float64]], rig: Rig, rate: int):
        self._blocks = iter(blocks)
        self._columns = np.array(rig.input.channels) - 1
        self._trim_db = np.array(rig.input.trim_db)
        self._window = round(WINDOW_S * rate)
        self._left = np.zeros((0, len(self._columns)))

    def windows(self) -> Iterator[NDArray[np.float64]]:
        """Yield levels in dBFS, shape (strings,), of one window after another; ends with the sound."""
        for block in self._blocks:
            self._left = np.concatenate([self._left, block[:, self._columns]])
            while len(self._left) >= self._window:
                # Differences take DC and rumble away and hardly change what plucks stand out by.
                power = np.mean(np.diff(self._left[: self._window], axis=0) ** 2, axis=0)
                self._left = self._left[self._window :]
                yield power_db(power, 1e-20) + self._trim_db


def guide(blocks: Iterable[NDArray[np.float64]], rig: Rig, rate: int, say: Say) -> Guided:
    """Lead through the take. ``blocks`` of shape (n, channels) are read until all is heard, or to their end."""
    windows = _Ear(blocks, rig, rate).windows()
    counts = [0] * rig.string_count
    floor = _silence(windows, rig, say)
    if floor is None:
        return Guided(tuple(counts), complete=False)
    for string in range(rig.string_count, 0, -1):
        heard = _string(windows, rig, string, floor, say)
        if heard is None:
            return Guided(tuple(counts), complete=False)
        counts[string - 1] = heard
    say("That is all. Measuring ...")
    return Guided(tuple(counts), complete=True)


def _silence(windows: Iterator[NDArray[np.float64]], rig: Rig, say: Say) -> NDArray[np.float64] | None:
    """Wait for silence; returns the floor of each string, None if the sound ended."""
    say(f"Hands off the strings for {SILENCE_S:.0f} seconds ...")
    wanted = round(SILENCE_S / WINDOW_S)
    last: deque[NDArray[np.float64]] = deque(maxlen=wanted)
    for number, level in enumerate(windows, 1):
        last.append(np.maximum(level, LOWEST_FLOOR_DB))
        if len(last) < wanted:
            continue
        recent = np.array(last)
        floor = np.median(recent, axis=0)
        spread = recent.max(axis=0) - recent.min(axis=0)
        noise = np.maximum(spread - STEADY_DB, floor - NOISY_DB)
        if noise.max() <= 0.0:
            return floor
        if number % (2 * wanted) == wanted:
            string = int(np.argmax(noise)) + 1
            say(f"Not silent yet: string {string} (channel {rig.input.channels[string - 1]}); damp it, or turn it down")
    return None


def _string(
    windows: Iterator[NDArray[np.float64]], rig: Rig, string: int, floor: NDArray[np.float64], say: Say
) -> int | None:
    """Hear one string; returns the plucks that were counted, None if the sound ended."""
    name = f"string {string} ({rig.instrument.strings[string - 1]})"
    say(f"Now {name}: pluck it {PLUCKS} times, one second each, and keep the others damped")
    recent: list[NDArray[np.float64]] = []
    plucks, elsewhere, since = 0, 0, 0
    for number, level in enumerate(windows):
        since += 1
        if plucks + elsewhere >= PLUCKS and since * WINDOW_S >= RING_S:
            return plucks
        if number * WINDOW_S > PATIENCE_S and since * WINDOW_S > PATIENCE_S / 2:
            say(f"  {name} is not heard enough ({plucks} of {PLUCKS}); going on without")
            return plucks
        recent = [*recent[-RISE_WINDOWS:], level]
        above = level - floor
        loudest = int(np.argmax(np.where(above > ABOVE_FLOOR_DB, level, -np.inf)))
        risen = level[loudest] - np.min([each[loudest] for each in recent])
        if above[loudest] < ABOVE_FLOOR_DB or risen < RISE_DB or (plucks + elsewhere and since * WINDOW_S < APART_S):
            continue
        since = 0
        if loudest == string - 1:
            plucks += 1
            say(f"  {plucks} of {PLUCKS}")
        else:
            elsewhere += 1
            say(f"  heard on channel {rig.input.channels[loudest]}, which carries string {loudest + 1} in the rig")
    return None
