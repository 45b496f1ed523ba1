"""Palm-muted model notes against what they are said to be, measured in their sound."""

import numpy as np
import pytest

from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.palm_mute import EARLY_RATIO, EARLY_SHARE, LONGEST_S, SHORTEST_S, PalmMute
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, first_partial_hz, render_pluck

RATE = 48_000
STRING = GuitarString(open_midi=40.0, inharmonicity=0.0, decay_low=0.0, decay_high=0.0)
HZ = 440.0 * 2.0 ** ((40.0 - 69.0) / 12.0)


def times(seconds: float) -> Signal:
    return np.arange(round(seconds * RATE)) / RATE


def partial_level(signal: Signal, order: int, at_s: float) -> float:
    """Amplitude of one partial about a time, by correlation over three periods of the first one under a Hann window."""
    half = 1.5 / HZ
    time = times(len(signal) / RATE)
    near = np.abs(time - at_s) < half
    window = 0.5 + 0.5 * np.cos(np.pi * (time[near] - at_s) / half)
    return float(np.abs(np.sum(signal[near] * window * np.exp(-2j * np.pi * order * HZ * time[near]))) / window.sum())


@pytest.mark.parametrize("decay_s", [0.03, 0.1, 0.3])
@pytest.mark.parametrize("order", [1, 2, 4])
def test_each_partial_falls_by_two_exponentials_in_proportion_to_its_frequency(decay_s: float, order: int) -> None:
    """Held against the same string without a palm, so that nothing but the palm is measured."""
    time = times(0.4)
    free, _ = render_pluck(STRING, Pluck(0.0, 40.0), time)
    muted, _ = render_pluck(STRING, Pluck(0.0, 40.0, palm=PalmMute(decay_s)), time)
    for at_s in (0.02, 0.04, 0.08):
        gain = partial_level(muted, order, at_s) / partial_level(free, order, at_s)
        near = time[np.abs(time - at_s) < 1.5 / HZ]
        x = near * order / decay_s
        course = EARLY_SHARE * np.exp(-EARLY_RATIO * x) + (1 - EARLY_SHARE) * np.exp(-x)
        expected = np.average(course, weights=0.5 + 0.5 * np.cos(np.pi * (near - at_s) * HZ / 1.5))
        if expected > 0.03:  # below, the sides of louder partials are measured
            assert gain == pytest.approx(expected, rel=0.05)


def test_upper_partials_die_first() -> None:
    muted, _ = render_pluck(STRING, Pluck(0.0, 40.0, palm=PalmMute(0.1)), times(0.3))
    falls = [partial_level(muted, order, 0.12) / partial_level(muted, order, 0.03) for order in (1, 2, 3, 4, 5)]
    assert falls == sorted(falls, reverse=True)
    assert falls[4] < 0.1 * falls[0]


def test_levels_fall_as_those_of_a_real_staccato_line() -> None:
    """3 to 14 dB within 28 ms, measured on a real line; made here by decays of 30 to 300 ms."""
    falls = []
    for string in STRINGS.values():
        for decay_s in (SHORTEST_S, 0.1, LONGEST_S):
            pluck = Pluck(0.0, string.open_midi + 2, pluck_mm=140.0, width_mm=5.0, palm=PalmMute(decay_s))
            note, _ = render_pluck(string, pluck, times(0.1))
            first, later = (np.mean(note[round(at * RATE) :][: RATE * 12 // 1000] ** 2) for at in (0.002, 0.03))
            falls.append(10 * np.log10(first / later))
    assert 1.0 < min(falls) < 3.0
    assert 14.0 < max(falls) < 17.0


def test_the_pitch_of_a_muted_note_is_as_exact_as_that_of_a_free_one() -> None:
    time = times(0.2)
    pluck = Pluck(0.0, 45.3, glide_cents=8.0, palm=PalmMute(0.05))
    _, hz = render_pluck(STRING, pluck, time)
    np.testing.assert_array_equal(hz, first_partial_hz(STRING, pluck, time))
    assert hz[-1] == pytest.approx(440.0 * 2.0 ** ((45.3 - 69.0) / 12.0), rel=1e-5)
    assert hz[0] > hz[-1]


@pytest.mark.parametrize("decay_s", [0.0, 0.029, 0.31, float("nan")])
def test_a_decay_out_of_range_is_refused_by_name(decay_s: float) -> None:
    with pytest.raises(ValueError, match=f"decay_s: got {decay_s} s, accepted are 0.03 to 0.3 s"):
        PalmMute(decay_s)
