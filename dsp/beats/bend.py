"""Beats that follow a player who speeds up, slows down or breathes.

The best sequence of beats by dynamic programming: a beat may end at any frame and last any of some sixty periods; it
earns what the onsets within it say of its parts (as in `beat_evidence`, with a fixed pattern), and pays for each change
of its length. This is the bar-pointer model of N. Whiteley, A. T. Cemgil, S. Godsill, "Bayesian Modelling of Temporal
Structure in Musical Audio" (ISMIR 2006) with beats for bars. Beats are then smoothed, by a parabola through the onsets
of some beats around each: a beat lies where its neighbours say, never on a note for the note's own sake.
"""

import math
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.evidence import Moments
from thumbline.dsp.beats.features import PREFERRED_BPM, PREFERRED_OCTAVES, STRAY, Metre
from thumbline.dsp.compilation import kernel

#: Frames per second.
RATE = 100
#: Periods of a beat, s, and how much longer each is than the one before.
SHORTEST_S, LONGEST_S, STEP = 0.28, 1.3, 0.025
#: A beat may be this many steps longer or shorter than the one before; each step costs so much, squared, in nats.
MOST_STEPS, STEP_COST = 4, 0.6
#: Spread of onsets about the parts of a beat, s.
SPREAD_S = 0.022
#: Share of onsets on the beat, half-way, and on each other part: of four parts, and of three.
SHARES = {4: (0.5, 0.1, 0.3, 0.1), 3: (0.52, 0.08, 0.4)}
#: A parabola is laid through the onsets of so many beats to either side, twice.
AROUND_BEATS, ROUNDS = 5.0, 2
#: An onset this far from its part of a beat counts 0.6 in it, s.
NEAR_S = 0.03


def followed(moments: Moments, metre: Metre) -> NDArray[np.float64] | None:
    """Times of the beats, rising, from about the first moment to the last; None if there are fewer than four."""
    rough = _best_sequence(moments.time_s, metre)
    if len(rough) < 4:
        return None
    beats = rough
    for _ in range(ROUNDS):
        beats = _smoothed(beats, moments.time_s, metre)
    return beats if np.all(np.diff(beats) > 0.5 * SHORTEST_S) else None


def _best_sequence(time_s: NDArray[np.float64], metre: Metre) -> NDArray[np.float64]:
    first_s = float(time_s[0]) - 2.0 * LONGEST_S
    frames = math.ceil((float(time_s[-1]) + LONGEST_S - first_s) * RATE) + 1
    lengths = _lengths()
    onsets = np.rint((time_s - first_s) * RATE).astype(np.int64)
    earned = np.zeros((frames, len(lengths)), np.float32)
    for i, length in enumerate(lengths.tolist()):
        _earn(earned[:, i], onsets, *_gain(length, metre))
    begin = math.ceil(LONGEST_S * RATE) + 1
    value = np.zeros((frames, len(lengths)), np.float32)
    came = np.zeros((frames, len(lengths)), np.int8)
    _fill(earned, lengths, MOST_STEPS, STEP_COST, value, came)
    end = frames - 1 - np.arange(begin)
    last = int(end[np.argmax(value[end].max(axis=1))])
    state = int(np.argmax(value[last]))
    found = [last]
    while found[-1] > begin:
        since = int(found[-1] - lengths[state])
        found.append(since)
        state = int(came[since, state])
    return first_s + np.array(found[::-1]) / RATE


@kernel
def _earn(earned: Any, onsets: Any, gain: Any, quarter: int, prior: float) -> None:
    """Write what a beat earns that begins at each frame: of each onset ``gain`` by its lag, from ``quarter`` before."""
    earned[:] = prior
    for onset in onsets:
        for lag in range(len(gain)):
            frame = onset + quarter - lag
            if 0 <= frame < len(earned):
                earned[frame] += gain[lag]


@kernel
def _fill(earned: Any, lengths: Any, most_steps: int, step_cost: float, value: Any, came: Any) -> None:
    """Write the worth of the best sequence whose last beat ends at a frame and lasted so long, and what came before.

    ``came``: the length of the beat before one of so many frames that begins at a frame.
    """
    entered = np.zeros_like(value)
    count = len(lengths)
    for frame in range(lengths[-1], len(value)):
        for i in range(count):
            since = frame - lengths[i]
            value[frame, i] = entered[since, i] + earned[since, i]
        for i in range(count):
            best, where = -np.inf, i
            for other in range(max(i - most_steps, 0), min(i + most_steps + 1, count)):
                offered = value[frame, other] - step_cost * (other - i) ** 2
                if offered > best:
                    best, where = offered, other
            entered[frame, i], came[frame, i] = best, where


def _lengths() -> NDArray[np.int64]:
    """Lengths of a beat in frames, rising."""
    count = math.ceil(math.log(LONGEST_S / SHORTEST_S) / math.log(1.0 + STEP))
    return np.unique(np.rint(SHORTEST_S * RATE * (1.0 + STEP) ** np.arange(count + 1)).astype(np.int64))


def _gain(length: int, metre: Metre) -> tuple[NDArray[np.float64], int, float]:
    """What an onset is worth at each frame of a beat of ``length``, from how many frames before it, and the beat."""
    quarter = length // (2 * metre.parts)
    lag_s = (np.arange(length) - quarter) / RATE
    period_s = length / RATE
    density = sum(
        share * np.exp(-0.5 * ((lag_s - part * period_s / metre.parts) / SPREAD_S) ** 2)
        for part, share in enumerate(SHARES[metre.parts])
    )
    gain = np.log((1.0 - STRAY) * period_s * density / (SPREAD_S * math.sqrt(2.0 * math.pi)) + STRAY)
    octaves = math.log2(60.0 / period_s / PREFERRED_BPM)
    return gain, quarter, -0.5 * (octaves / PREFERRED_OCTAVES) ** 2


def _smoothed(beats: NDArray[np.float64], time_s: NDArray[np.float64], metre: Metre) -> NDArray[np.float64]:
    """Lay each beat where a parabola through the onsets around it has it."""
    at = places(beats, time_s)
    part = np.rint(at * metre.parts) / metre.parts
    off_s = time_s - times_at(beats, part)
    out = beats.copy()
    for i in range(len(beats)):
        distance = (part - i) / AROUND_BEATS
        near = np.abs(distance) < 1.0
        weight = (1.0 - np.abs(distance[near]) ** 3) ** 3 * np.exp(-0.5 * (off_s[near] / NEAR_S) ** 2)
        if np.count_nonzero(weight > 0.1) < 5:
            continue
        columns = np.stack([np.ones(near.sum()), part[near] - i, (part[near] - i) ** 2], axis=1)
        root = np.sqrt(weight)
        fitted = np.linalg.lstsq(columns * root[:, np.newaxis], time_s[near] * root, rcond=None)[0]
        if abs(fitted[0] - beats[i]) < NEAR_S:
            out[i] = fitted[0]
    return out


def places(beats: NDArray[np.float64], time_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Where times lie in beats: 0 is the first; before the first and after the last at the pace of the nearest."""
    index = np.clip(np.searchsorted(beats, time_s, "right") - 1, 0, len(beats) - 2)
    return index + (time_s - beats[index]) / (beats[index + 1] - beats[index])


def times_at(beats: NDArray[np.float64], place: NDArray[Any]) -> NDArray[np.float64]:
    """The inverse of `places`."""
    index = np.clip(np.floor(place).astype(np.int64), 0, len(beats) - 2)
    return beats[index] + (place - index) * (beats[index + 1] - beats[index])
