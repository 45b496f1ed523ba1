"""The model string against its physics, measured in its sound: spectra, slopes, and a published string."""

from dataclasses import replace

import numpy as np
import pytest

from thumbline.dsp.synthetic.string_model import (
    SLUR_S,
    GuitarString,
    Pluck,
    Signal,
    Slur,
    Vibrato,
    damping,
    first_partial_hz,
    midi_to_hz,
    partial_amplitudes,
    partial_ratio,
    render_pluck,
    stiff_inharmonicity,
)

RATE = 48_000
LOW_E = GuitarString(open_midi=40.0, inharmonicity=1e-4)
UNDAMPED = replace(LOW_E, decay_low=0.0, decay_high=0.0)
IDEAL = GuitarString(28.0, 0.0, 0.0, 0.0, pickup_width_mm=0.0, coil_hz=np.inf)


def times(seconds: float) -> Signal:
    return np.arange(round(seconds * RATE)) / RATE


def spectrum(signal: Signal, padding: int = 8) -> tuple[Signal, Signal]:
    """Frequencies and amplitudes (a sine of amplitude 1 reads 1) under a Hann window."""
    window = np.hanning(len(signal))
    size = padding * len(signal)
    return np.fft.rfftfreq(size, 1 / RATE), 2 * np.abs(np.fft.rfft(signal * window, size)) / window.sum()


def peak_near(signal: Signal, hz: float, width_hz: float) -> tuple[float, float]:
    """Frequency and amplitude of the highest peak near ``hz``: parabola through three log amplitudes."""
    freq, amp = spectrum(signal)
    inside = np.flatnonzero(np.abs(freq - hz) < width_hz)
    i = inside[np.argmax(amp[inside])]
    a, b, c = np.log(amp[i - 1 : i + 2])
    shift = 0.5 * (a - c) / (a - 2 * b + c)
    return float(freq[i] + shift * freq[1]), float(np.exp(b - 0.25 * (a - c) * shift))


def baseband(signal: Signal, cycles: Signal, window_s: float) -> Signal:
    """The complex course of the partial that turns through ``cycles``, averaged over a Kaiser window."""
    window = np.kaiser(round(window_s * RATE), 14)
    return np.convolve(2 * signal * np.exp(-2j * np.pi * cycles), window / window.sum(), "valid")


def partial_hz(n: int) -> float:
    """Partial n of the open low E."""
    return float(midi_to_hz(40.0) * partial_ratio(n, LOW_E.inharmonicity))


def cents(a: float | Signal, b: float | Signal) -> float | Signal:
    return 1200 * np.log2(np.asarray(a) / b)


def test_one_inharmonicity_explains_both_frets_of_a_published_bass_string() -> None:
    # J. A. Kemp, "On inharmonicity in bass guitar strings with application to tapered and lumped
    # constructions", SN Applied Sciences 2 (2020) 636, abstract: one string, "around 100 cents at the 10th
    # partial" at fret 12 and "around 100 cents at the 6th partial" at fret 21. B is set by the first and must
    # yield the second.
    stretch = 2 ** (2 * 100 / 1200)
    at_fret_12 = (stretch - 1) / (100 - stretch)
    string = GuitarString(23.0, at_fret_12 / 2 ** (12 / 6))
    assert cents(partial_ratio(10, string.inharmonicity_at(35.0)), 10) == pytest.approx(100, abs=1e-6)
    assert cents(partial_ratio(6, string.inharmonicity_at(44.0)), 6) == pytest.approx(100, abs=5)


def test_inharmonicity_of_a_steel_string_follows_the_beam_equation() -> None:
    # Fletcher 1964 (from memory): B = pi^2 Q S K^2 / (T L^2), section S, radius of gyration K = d / 4.
    d, tension, length, young = 0.43e-3, 74.0, 0.648, 2.0e11
    expected = np.pi**2 * young * (np.pi * d**2 / 4) * (d / 4) ** 2 / (tension * length**2)
    assert stiff_inharmonicity(0.43, tension, 648.0) == pytest.approx(expected, rel=1e-12)


def test_a_fret_shortens_the_string_and_raises_its_inharmonicity() -> None:
    assert LOW_E.length_mm(52.0) == pytest.approx(324.0)
    assert LOW_E.inharmonicity_at(52.0) == pytest.approx(4e-4)


@pytest.mark.parametrize("midi", [40.0, 47.3, 64.0])
def test_the_first_partial_is_the_stated_pitch_within_a_tenth_of_a_cent(midi: float) -> None:
    signal, hz = render_pluck(LOW_E, Pluck(0, midi), times(1.0))
    found, _ = peak_near(signal, midi_to_hz(midi), 20)
    assert abs(cents(found, 440 * 2 ** ((midi - 69) / 12))) < 0.1
    np.testing.assert_allclose(hz, 440 * 2 ** ((midi - 69) / 12), rtol=1e-12)


def test_partials_lie_where_stiffness_puts_them() -> None:
    signal, _ = render_pluck(UNDAMPED, Pluck(0, 45.0), times(1.0))
    b = 1e-4 * 2 ** (5 / 6)
    for n in (2, 5, 11, 23, 37):
        expected = 110.0 * n * np.sqrt((1 + b * n * n) / (1 + b))
        found, _ = peak_near(signal, expected, 30)
        assert abs(cents(found, expected)) < 0.1, n


def test_an_ideal_string_passes_rectangles_as_the_travelling_wave_solution_says() -> None:
    # d'Alembert: the pluck at p sends a kink either way. At q < p the velocity is +1 from the passing of the
    # near kink until it is back from the bridge, -1 likewise for the one turned at the far end, else 0.
    t = times(0.04)
    f0 = midi_to_hz(IDEAL.open_midi)
    p, q = 0.3, 0.1
    pluck = Pluck(0, IDEAL.open_midi, velocity=1, pluck_mm=p * IDEAL.scale_mm, width_mm=0)
    signal, _ = render_pluck(replace(IDEAL, pickup_mm=q * IDEAL.scale_mm), pluck, t)
    travelled = (2 * f0 * t) % 2
    expected = np.where(np.abs(travelled - p) < q, 1.0, np.where(np.abs(travelled - (2 - p)) < q, -1.0, 0.0))
    edges = np.min([np.abs(travelled - e) for e in (p - q, p + q, 2 - p - q, 2 - p + q, 0, 2)], axis=0)
    clear = edges > 0.03
    assert clear.mean() > 0.5
    np.testing.assert_allclose(signal[clear], expected[clear], atol=0.05)


def test_a_pickup_at_a_quarter_of_the_string_is_deaf_to_every_fourth_partial() -> None:
    string = replace(UNDAMPED, pickup_mm=648 / 4)
    signal, _ = render_pluck(string, Pluck(0, 40.0), times(1.0))
    heard = {n: peak_near(signal, partial_hz(n), 20)[1] for n in range(1, 14)}
    assert max(heard[n] for n in (4, 8, 12)) < 1e-4 * heard[1]
    assert min(heard[n] for n in (1, 3, 5, 9)) > 1e-2 * heard[1]


def test_a_wide_finger_takes_from_high_partials_what_its_gaussian_says() -> None:
    n = np.arange(1, 60)
    narrow, wide = (partial_amplitudes(n, 0.21, 0.07, width) for width in (0.0, 0.008))
    np.testing.assert_allclose(wide / narrow, np.exp(-((n * np.pi * 0.008) ** 2) / 2), rtol=1e-9)


def test_each_partial_decays_at_its_two_parameter_rate() -> None:
    string = replace(LOW_E, decay_low=1.3, decay_high=4e-7)
    t = times(0.8)
    signal, _ = render_pluck(string, Pluck(0, 40.0), t)
    for n in (1, 6, 20):
        hz = partial_hz(n)
        course = np.log(np.abs(baseband(signal, hz * t, 0.1)))
        slope = np.polyfit(np.arange(len(course)) / RATE, course, 1)[0]
        assert -slope == pytest.approx(1.3 + 4e-7 * hz**2, rel=0.01), n


def test_glide_bend_and_vibrato_reach_the_sound_as_the_truth_says() -> None:
    pluck = Pluck(0, 60.0, velocity=0.8, glide_cents=12.0, bend=((0.1, 0.0), (0.3, 200.0)), vibrato=Vibrato(0.4, 40.0))
    t = times(1.0)
    string = GuitarString(55.0, 5e-5)
    signal, hz = render_pluck(string, pluck, t)
    # Turned back by the truth's own phase, the first partial must stand still.
    course = np.unwrap(np.angle(baseband(signal, np.cumsum(hz) / RATE, 0.04)))
    off_hz = np.diff(course) * RATE / (2 * np.pi)
    assert np.abs(cents(1 + off_hz / midi_to_hz(60.0), 1)).max() < 0.1
    assert cents(hz[0], midi_to_hz(60.0)) == pytest.approx(12 * 0.8**2, abs=1e-6)
    later = 12 * 0.8**2 * np.exp(-2 * 0.35 * (0.8 + 2.5e-7 * midi_to_hz(60.0) ** 2))
    assert cents(hz[round(0.35 * RATE)], midi_to_hz(62.0)) == pytest.approx(later, abs=1e-6)
    assert np.ptp(cents(hz[round(0.7 * RATE) :], hz[round(0.4 * RATE)])) == pytest.approx(40, abs=1.5)


@pytest.mark.parametrize(("strength", "fret"), [(0.0, 3), (0.3, 3), (0.3, -2)])
def test_a_slur_changes_the_pitch_without_a_jump_in_the_sound(strength: float, fret: int) -> None:
    t = times(0.6)
    string = GuitarString(43.0, 1e-4)
    signal, hz = render_pluck(string, Pluck(0, 48.0, slurs=(Slur(0.3, 48.0 + fret, strength),)), t)
    around = slice(round(0.299 * RATE), round((0.301 + SLUR_S) * RATE))
    before = slice(round(0.1 * RATE), round(0.299 * RATE))
    assert np.abs(np.diff(signal[around])).max() < 1.5 * np.abs(np.diff(signal[before])).max()
    np.testing.assert_allclose(hz[t < 0.3], midi_to_hz(48.0), rtol=1e-12)
    np.testing.assert_allclose(hz[t > 0.3001 + SLUR_S], midi_to_hz(48.0 + fret), rtol=1e-12)
    assert np.all(np.diff(hz) * fret >= 0)
    found, _ = peak_near(signal[t > 0.31], midi_to_hz(48.0 + fret), 15)
    assert abs(cents(found, midi_to_hz(48.0 + fret))) < 1.0


def test_a_slur_with_strength_brings_new_energy() -> None:
    t = times(0.5)
    plucks = (Pluck(0, 45.0, slurs=(Slur(0.25, 47.0, strength),)) for strength in (0.0, 0.4))
    soft, hard = (render_pluck(LOW_E, pluck, t)[0] for pluck in plucks)
    np.testing.assert_array_equal(soft[t < 0.25], hard[t < 0.25])
    assert np.std(hard[t > 0.25]) > 1.1 * np.std(soft[t > 0.25])


def test_a_natural_harmonic_keeps_every_third_partial_and_sounds_at_the_lowest_of_them() -> None:
    signal, hz = render_pluck(UNDAMPED, Pluck(0, 40.0, harmonic=3), times(1.0))
    third = partial_hz(3)
    np.testing.assert_allclose(hz, third, rtol=1e-12)
    found, loudest = peak_near(signal, third, 30)
    assert abs(cents(found, third)) < 0.1
    for n in (1, 2, 4, 5, 7):
        assert peak_near(signal, partial_hz(n), 20)[1] < 1e-4 * loudest


def test_nothing_lies_above_the_highest_partial_allowed() -> None:
    string = replace(LOW_E, coil_hz=np.inf, pickup_width_mm=0.0, decay_low=0.0, decay_high=0.0)
    signal, _ = render_pluck(string, Pluck(0, 52.0, width_mm=0.0), times(0.5))
    freq, amp = spectrum(signal, padding=1)
    assert amp[(freq > 20_000) & (freq < 21_500)].max() > 1e-3
    assert amp[freq > 0.455 * RATE].max() < 1e-6


def test_a_note_begins_at_rest_and_without_a_step() -> None:
    signal, _ = render_pluck(LOW_E, Pluck(0, 40.0), times(0.1))
    assert signal[0] == 0.0
    assert np.abs(np.diff(signal)).max() < 0.5 * np.abs(signal).max()


def test_a_note_that_begins_between_two_frames_is_the_same_note_shifted() -> None:
    t = times(0.2)
    half = 0.5 / RATE
    pluck = Pluck(0, 40.0, width_mm=6.0, glide_cents=10.0)
    twice_as_fine, _ = render_pluck(LOW_E, pluck, np.arange(2 * len(t)) * half)
    shifted, _ = render_pluck(LOW_E, pluck, t + half)
    np.testing.assert_allclose(shifted, twice_as_fine[1::2], atol=2e-5)


def test_a_hand_takes_sixty_decibels_in_its_time_without_a_corner() -> None:
    t = times(0.2)
    gain = damping(t, 0.1, 0.02)
    assert np.all(gain[t <= 0.1] == 1.0)
    assert gain[round(0.12 * RATE)] == pytest.approx(1e-3, rel=1e-6)
    assert gain[round(0.14 * RATE)] == pytest.approx(1e-12, rel=1e-6)
    assert np.all(np.diff(gain) <= 0)
    assert np.abs(np.diff(gain, 2)).max() < 1e-4


def test_the_truth_of_pitch_does_not_need_the_sound() -> None:
    pluck = Pluck(0, 50.0, vibrato=Vibrato(0.1, 30.0))
    _, hz = render_pluck(LOW_E, pluck, times(0.5))
    np.testing.assert_array_equal(hz, first_partial_hz(LOW_E, pluck, times(0.5)))


@pytest.mark.parametrize(
    ("change", "message"),
    [
        ({"harmonic": 0}, "harmonic: got 0"),
        ({"stop_s": 0.0}, "stop_s: got 0.0"),
        ({"bend": ((0.2, 0.0), (0.1, 100.0))}, r"bend: got points at \[0.2, 0.1\]"),
    ],
)
def test_what_no_player_can_do_is_refused_by_name(change: dict[str, object], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        replace(Pluck(0.0, 40.0), **change)


def test_a_pluck_beyond_the_end_of_the_string_is_refused() -> None:
    with pytest.raises(ValueError, match=r"pluck_mm: got 400.*324\.0 mm"):
        render_pluck(LOW_E, Pluck(0, 52.0, pluck_mm=400.0), times(0.1))
