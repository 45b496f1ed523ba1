"""Voices with exactly known truth: a model string, plucked a few times."""

from collections.abc import Sequence

import numpy as np

from thumbline.dsp.sound.stretch import Voice
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, damping, render_pluck

RATE = 48_000
#: How often the pitch of a voice is known, s: about as often as the processor reports it.
PITCH_EVERY_S = 0.0085


def plucked(midi: float, onsets_s: Sequence[float], seconds: float, inharmonicity: float = 5e-5) -> Voice:
    """A string that is plucked at ``onsets_s`` and silent from 60 ms before each next pluck."""
    time = np.arange(round(seconds * RATE)) / RATE
    sound = np.zeros(len(time))
    string = GuitarString(midi, inharmonicity, sensitivity=0.3)
    frames, pitches = [], []
    for onset, stop in zip(onsets_s, [*(t - 0.07 for t in onsets_s[1:]), seconds - 0.1], strict=True):
        begin = round(onset * RATE)
        note, hz = render_pluck(string, Pluck(onset, midi, stop, glide_cents=8.0), time[begin:] - onset)
        sound[begin:] += note * damping(time[begin:], stop, 0.010)
        known = np.arange(begin, min(round(stop * RATE), len(time)), round(PITCH_EVERY_S * RATE))
        frames.append(known)
        pitches.append(hz[known - begin])
    onsets = np.array([round(onset * RATE) for onset in onsets_s], np.int64)
    return Voice(sound.astype(np.float32), RATE, onsets, np.concatenate(frames), np.concatenate(pitches))


def first_partial_hz(sound: np.ndarray, near_hz: float) -> float:
    """Frequency of the strongest line within 3 % of ``near_hz``: an FFT under a Hann window, interpolated."""
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * len(sound)))
    step = RATE / (8 * len(sound))
    low, high = (round(share * near_hz / step) for share in (0.97, 1.03))
    at = low + int(np.argmax(spectrum[low:high]))
    before, peak, after = np.log(spectrum[at - 1 : at + 2])
    return step * (at + 0.5 * (before - after) / (before - 2 * peak + after))


def onset_s(sound: np.ndarray, near_s: float) -> float:
    """When the power over 1 ms first passes a fifth of its greatest, from 30 ms before ``near_s`` to 25 ms after."""
    first = round((near_s - 0.03) * RATE)
    rise = _power(sound[first : first + round(0.055 * RATE)])
    return (first + int(np.argmax(rise >= 0.2 * rise.max()))) / RATE


def attack_s(sound: np.ndarray, near_s: float) -> float:
    """From a fifth to nine tenths of the greatest power over 1 ms near ``near_s``."""
    first = round((near_s - 0.03) * RATE)
    rise = _power(sound[first : first + round(0.055 * RATE)])
    return (int(np.argmax(rise >= 0.9 * rise.max())) - int(np.argmax(rise >= 0.2 * rise.max()))) / RATE


def _power(sound: np.ndarray) -> np.ndarray:
    return np.convolve(np.asarray(sound, np.float64) ** 2, np.ones(RATE // 1000), mode="same")
