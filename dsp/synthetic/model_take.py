"""A take made of model strings: notes and thumps of each string, and what a hexaphonic pickup adds to them.

Signals have the shape ``(frames,)`` for one string and ``(frames, strings)`` for a take; full scale is 1.
Everything is a pure function of its arguments, the random generator included.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, damping, render_pluck

CONTACT_S = 0.005
"""Time for which the plectrum scrapes the string before it lets go; an estimate."""
SCRAPE = 0.01
"""Level of that noise (rms at its height) beside a note of the same velocity; an estimate."""
HUM_HARMONICS = (1.0, 0.25, 0.5, 0.1, 0.3, 0.05, 0.15)
"""Amplitudes of mains harmonics 1, 2, ... in an unshielded coil: an estimate, odd ones stronger."""


@dataclass(frozen=True)
class Thump:
    """A strike on a string that the hand lies on: noise that is gone within some 30 ms, and no pitch."""

    start_s: float
    velocity: float = 0.5
    decay_s: float = 0.006
    cutoff_hz: float = 900.0


def render_string(
    string: GuitarString,
    events: Sequence[Pluck | Thump],
    frames: int,
    sample_rate: int,
    rng: np.random.Generator,
) -> tuple[Signal, Signal]:
    """Return the clean signal of one string and its exact pitch in Hz, both of shape ``(frames,)``.

    The pitch is NaN where no note sounds: before a release, from ``stop_s`` on, and in thumps. Where notes
    overlap, which no string can do, the later one's pitch is given.
    """
    signal = np.zeros(frames)
    pitch = np.full(frames, np.nan)
    time = np.arange(frames) / sample_rate
    for event in sorted(events, key=lambda e: e.start_s):
        begin = int(np.searchsorted(time, event.start_s))
        if isinstance(event, Thump):
            noise = _thump(event, sample_rate, rng)[: frames - begin]
            signal[begin : begin + len(noise)] += string.sensitivity * noise
            continue
        # After twice the damping time -240 dB are left: nothing is cut off.
        stop, end = (int(i) for i in np.searchsorted(time, event.stop_s + event.damp_s * np.array([0, 2])))
        note, hz = render_pluck(string, event, time[begin:end] - event.start_s)
        signal[begin:end] += note * damping(time[begin:end], event.stop_s, event.damp_s)
        pitch[begin:stop] = hz[: stop - begin]
        touch = int(np.searchsorted(time, event.start_s - CONTACT_S))
        swell = np.sin(np.pi * np.linspace(0, 1, begin - touch)) ** 2
        scrape = SCRAPE * event.velocity * swell * rng.standard_normal(begin - touch)
        signal[touch:begin] += string.sensitivity * scrape
    return signal, pitch


def _thump(thump: Thump, sample_rate: int, rng: np.random.Generator) -> Signal:
    """Return low-passed noise under an envelope x exp(1 - x), x = time / decay, which starts at 0."""
    from scipy.signal import butter, sosfilt

    x = np.arange(int(20 * thump.decay_s * sample_rate)) / (thump.decay_s * sample_rate)
    low_pass = butter(2, thump.cutoff_hz, fs=sample_rate, output="sos")
    noise = np.asarray(sosfilt(low_pass, rng.standard_normal(len(x))))
    # The filter keeps about cutoff / (rate / 2) of the noise's power; undone, and halved for peaks near 1.
    noise *= 0.5 * np.sqrt(sample_rate / 2 / thump.cutoff_hz)
    return thump.velocity * noise * x * np.exp(1 - x)


def bleed_matrix(strings: int, nearest_db: float, fall_db: float, rng: np.random.Generator) -> Signal:
    """Return an invented bleed matrix ``(strings, strings)``: row = channel of string i, column = string j.

    The next string arrives at ``nearest_db`` (+- 2 dB), each further one ``fall_db`` less; the diagonal is 1.
    Some arrive inverted, as the field of a neighbour's pole may run either way.
    """
    index = np.arange(strings)
    distance = np.abs(index[:, None] - index[None, :])
    level_db = nearest_db - fall_db * (distance - 1) + rng.uniform(-2, 2, distance.shape)
    sign = np.where(rng.random(distance.shape) < 0.25, -1.0, 1.0)
    return np.where(distance == 0, 1.0, sign * amplitude_of(level_db))


def add_bleed(strings: Signal, matrix: Signal) -> Signal:
    """Return what the pickups hear, ``(frames, strings)``: one row of ``matrix`` per channel."""
    return strings @ matrix.T


def hum(
    frames: int, strings: int, sample_rate: int, level_db: float, mains_hz: float, rng: np.random.Generator
) -> Signal:
    """Return mains hum ``(frames, strings)`` of ``level_db`` (dBFS rms) +- 3 dB: one source, uneven coils."""
    time = np.arange(frames) / sample_rate
    wave = np.zeros(frames)
    for harmonic, amplitude in enumerate(HUM_HARMONICS, start=1):
        wave += amplitude * np.sin(2 * np.pi * (harmonic * mains_hz * time + rng.random()))
    rms = np.sqrt(np.sum(np.square(HUM_HARMONICS)) / 2)
    coils = amplitude_of(rng.uniform(-3, 3, strings))
    return np.outer(wave / rms * amplitude_of(level_db), coils)


def hiss(frames: int, strings: int, level_db: float, rng: np.random.Generator) -> Signal:
    """Return white noise ``(frames, strings)`` of ``level_db`` (dBFS rms), independent in each channel."""
    return amplitude_of(level_db) * rng.standard_normal((frames, strings))
