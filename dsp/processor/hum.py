"""The hum of a take: how strong it is in each channel and where in its period it begins, whatever is played meanwhile.

Each harmonic is measured in many short windows. Where nothing is played they agree; where something is, they do not and
are loud. So a mean is taken in which a window counts by the inverse square of the power that the hum does not explain
(iteratively reweighted least squares with the weights of the Geman-McClure loss; Holland and Welsch, "Robust regression
using iteratively reweighted least-squares", Commun. Statist. A6, 1977).
"""

import math
from collections.abc import Iterable, Iterator

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HARMONICS, HUM_KNOWN
from thumbline.dsp.processor.mains import LOW_RATE, low_rate_frames
from thumbline.dsp.rig.model import Rig

#: Complex amplitudes (HARMONICS, strings) at the first frame: the real part of ``hum[k - 1] * exp(2j pi k f t)`` is
#: what harmonic k adds to each string's channel, after trim and polarity; full scale 1.
Hum = NDArray[np.complex128]

#: So much of a take's beginning is listened to, in seconds: mains drift, so later moments say little of the first.
HEAD_S = 12.0
#: Length of the windows, each half a length after the one before, in seconds.
WINDOW_S = 0.24
#: Mains may differ from the frequency that the rig says by this much, in Hz.
DRIFT_HZ = 0.2
#: A harmonic must stand this far above its standard error; less is none.
LEAST_SIGMA = 4.0
#: Windows in which the hum explains all but this share of the quietest twentieth's power are alike.
AS_GOOD = 2.0
#: No channel is taken to be softer than this (mean square; -100 dBFS).
LOWEST_POWER = 1e-10
_ITERATIONS = 20


class Head:
    """The beginning of a take at a low rate, kept while the take is read for something else."""

    def __init__(self, rate: int) -> None:
        self.group = max(1, rate // LOW_RATE)
        self.rate = rate
        self._most = round(HEAD_S * rate / self.group)
        self._parts: list[NDArray[np.float64]] = []
        self._kept = 0

    @property
    def full(self) -> bool:
        """Whether the beginning has passed."""
        return self._kept >= self._most

    @property
    def frames(self) -> NDArray[np.float64]:
        """Means of ``group`` frames each, (n, channels)."""
        return np.concatenate(self._parts)[: self._most] if self._parts else np.zeros((0, 1))

    def pass_on(self, blocks: Iterable[NDArray[np.float64]]) -> Iterator[NDArray[np.float64]]:
        """Yield the blocks of a take as they come, and keep its beginning."""

        def watched() -> Iterator[NDArray[np.float64]]:
            for block in blocks:
                passing.append(block)
                yield block

        passing: list[NDArray[np.float64]] = []
        for means in low_rate_frames(watched(), self.group):
            if not self.full:
                self._parts.append(means)
                self._kept += len(means)
            while passing:
                yield passing.pop(0)
        yield from passing


def measure_hum(head: Head, rig: Rig, mains_hz: float) -> Hum:
    """Measure the hum of a take that begins with ``head``; harmonics that cannot be told from notes are 0."""
    rate = head.rate / head.group
    frames = head.frames
    length = round(WINDOW_S * rate)
    hum = np.zeros((HARMONICS, rig.string_count), np.complex128)
    if len(frames) < length or frames.shape[1] < max(rig.input.channels):
        return hum
    starts, windows = _windows(frames, rig, length)
    shape = np.hanning(length + 1)[:length]
    turn = 2.0 * math.pi * mains_hz / head.rate * np.arange(1, HARMONICS + 1)  # per frame
    mean_gain = np.exp(1j * np.outer(turn, np.arange(head.group))).mean(axis=1)  # of the means of ``group`` frames
    low_turn = turn * head.group
    basis = shape[:, None] * np.exp(-1j * np.outer(np.arange(length), low_turn)) * (2.0 / shape.sum())
    found = np.einsum("wlc,lk->wkc", windows, basis)
    found *= np.exp(-1j * np.outer(starts, low_turn))[:, :, None]
    power = np.einsum("wlc,l->wc", windows**2, shape / shape.sum())
    middles = np.asarray((starts + length / 2) / rate, np.float64)
    drift_hz = _drift(found, power, middles)
    harmonics = np.arange(1, HARMONICS + 1)
    found *= np.exp(-2j * np.pi * drift_hz * np.outer(middles, harmonics))[:, :, None]
    for c in range(rig.string_count):
        hum[:, c] = _steady_part(found[:, :, c], power[:, c])
    return hum / mean_gain[:, None]


def quiet_power(head: Head, rig: Rig, hum: Hum) -> NDArray[np.float64]:
    """Mean square (strings,) that the ``hum`` leaves in each string's channel while little or nothing is played."""
    length = round(WINDOW_S * head.rate / head.group)
    if len(head.frames) < length or head.frames.shape[1] < max(rig.input.channels):
        return np.full(hum.shape[1], np.inf)
    _, windows = _windows(head.frames, rig, length)
    left = np.mean(windows**2, axis=1) - 0.5 * np.sum(np.abs(hum) ** 2, axis=0)
    return np.maximum(np.percentile(left, 5.0, axis=0), LOWEST_POWER)


def _windows(frames: NDArray[np.float64], rig: Rig, length: int) -> tuple[NDArray[np.int_], NDArray[np.float64]]:
    """First frames (windows,) and frames (windows, length, strings) of each string's channel, trimmed, without DC."""
    gain = amplitude_of(np.asarray(rig.input.trim_db))
    for number in rig.input.invert:
        gain[number - 1] *= -1.0
    signal = gain * frames[:, [channel - 1 for channel in rig.input.channels]]
    starts = np.arange(0, len(signal) - length + 1, length // 2)
    windows = np.stack([signal[start : start + length] for start in starts])
    return starts, windows - windows.mean(axis=1, keepdims=True)


def _drift(found: Hum, power: NDArray[np.float64], middles: NDArray[np.float64]) -> float:
    """How far the mains are from the frequency assumed, in Hz: where the quiet windows of all channels agree best."""
    weights = 1.0 / (power + AS_GOOD * _quiet(power)) ** 2
    weights /= weights.sum(axis=0)
    step = 0.1 / (HARMONICS * max(float(middles[-1] - middles[0]), WINDOW_S))
    count = math.ceil(DRIFT_HZ / step)
    tried = step * np.arange(-count, count + 1)
    agreed = np.zeros(len(tried))
    for k in range(HARMONICS):
        turned = np.exp(-2j * np.pi * (k + 1) * np.outer(tried, middles))
        agreed += (np.abs(turned @ (weights * found[:, k])) ** 2 / np.maximum(_quiet(power), 1e-30)).sum(axis=1)
    return float(tried[np.argmax(agreed)])


def _quiet(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of the quietest twentieth of the windows, (channels,), and never quite 0."""
    return np.maximum(np.percentile(power, 5.0, axis=0), 1e-20)


def _steady_part(found: Hum, power: NDArray[np.float64]) -> NDArray[np.complex128]:
    """The amplitudes (HARMONICS,) on which the windows (windows, HARMONICS) of one channel agree."""
    weights = 1.0 / (power + AS_GOOD * float(_quiet(power[:, None])[0])) ** 2
    weights = np.repeat(weights[:, None], HARMONICS, axis=1)
    mean = np.zeros(HARMONICS, np.complex128)
    for _ in range(_ITERATIONS):
        share = weights / weights.sum(axis=0)
        mean = (share * found).sum(axis=0)
        apart = np.abs(found - mean) ** 2
        scale = np.maximum(AS_GOOD * np.percentile(apart, 20.0, axis=0), 1e-24)
        weights = 1.0 / (apart + scale) ** 2
    share = weights / weights.sum(axis=0)
    error = np.sqrt((share**2 * np.abs(found - mean) ** 2).sum(axis=0))
    return np.where(np.abs(mean) > LEAST_SIGMA * error, mean, 0.0)


def know_hum(p: Record, st: Record, hum: Hum) -> None:
    """Put the hum of a take that is about to pass into the state of a processor at rest; nothing needs learning."""
    if not p["hum_harmonics"]:
        return
    n = int(p["strings"])
    turn = np.exp(-1j * np.arctan2(p["hum_sin"], p["hum_cos"]))
    blocked = hum * ((1.0 - turn) / (1.0 - p["dc_pole"] * turn))[:, None]  # what the DC blocker leaves
    weights = (blocked @ p["unbleed"][:n, :n]) * turn[:, None]  # the oscillator is a frame ahead
    st["hum_a"][:, :n], st["hum_b"][:, :n] = weights.real, -weights.imag
    st["hum_phase"] = HUM_KNOWN
    st["hum_doubted"] = 1  # the large steps of the start are not for weights that are known
