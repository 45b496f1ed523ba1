"""What surrounds the model strings in a take: several notes on one string, thumps, bleed, hum and hiss."""

import numpy as np
import pytest

from thumbline.dsp.synthetic.model_take import Thump, add_bleed, bleed_matrix, hiss, hum, render_string
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck

RATE = 48_000
STRING = GuitarString(45.0, 6e-5)


def rng(seed: int = 7) -> np.random.Generator:
    return np.random.default_rng(seed)


def test_a_seed_decides_every_frame() -> None:
    events = (Pluck(0.05, 45.0, 0.2), Thump(0.25))
    same = [render_string(STRING, events, RATE // 2, RATE, rng(seed))[0] for seed in (1, 1, 2)]
    np.testing.assert_array_equal(same[0], same[1])
    assert not np.array_equal(same[0], same[2])


def test_the_order_in_which_events_are_given_does_not_matter() -> None:
    events = [Pluck(0.05, 45.0, 0.2), Thump(0.25), Pluck(0.3, 47.0, 0.4)]
    forward, backward = (render_string(STRING, line, RATE // 2, RATE, rng())[0] for line in (events, events[::-1]))
    np.testing.assert_array_equal(forward, backward)


def test_pitch_is_known_from_release_to_stop_and_nowhere_else() -> None:
    events = (Pluck(0.1, 45.0, 0.25), Thump(0.3), Pluck(0.4, 52.0, 0.45))
    _, pitch = render_string(STRING, events, RATE // 2, RATE, rng())
    time = np.arange(RATE // 2) / RATE
    first, second = (time >= 0.1) & (time < 0.25), (time >= 0.4) & (time < 0.45)
    np.testing.assert_allclose(pitch[first], 110.0)
    np.testing.assert_allclose(pitch[second], 164.8138, rtol=1e-6)
    assert np.isnan(pitch[~first & ~second]).all()


def test_a_string_is_silent_before_the_plectrum_touches_it_and_after_a_hand_has_stopped_it() -> None:
    signal, _ = render_string(STRING, [Pluck(0.1, 45.0, 0.25, damp_s=0.015)], RATE // 2, RATE, rng())
    assert not signal[: round(0.094 * RATE)].any()
    assert 0 < np.abs(signal[round(0.095 * RATE) : round(0.1 * RATE)]).max() < 0.05 * np.abs(signal).max()
    assert np.abs(signal[round(0.27 * RATE) :]).max() < 1e-4
    assert not signal[round(0.2801 * RATE) :].any()


def test_a_note_may_outlast_the_take() -> None:
    signal, pitch = render_string(STRING, [Pluck(0.1, 45.0)], RATE // 4, RATE, rng())
    assert len(signal) == RATE // 4
    assert np.isfinite(pitch[-1])


def test_a_thump_is_gone_in_thirty_milliseconds_and_has_no_period() -> None:
    signal, _ = render_string(STRING, [Thump(0.1, velocity=0.8)], RATE // 2, RATE, rng())
    assert 0.3 < np.abs(signal).max() < 1.6
    assert not signal[: RATE // 10].any()
    energy = np.cumsum(signal**2)
    assert energy[round(0.13 * RATE)] > 0.98 * energy[-1]
    peaks = []
    for seed in range(20):
        part = render_string(STRING, [Thump(0.0)], RATE // 5, RATE, rng(seed))[0]
        similar = np.correlate(part, part, "full")[len(part) - 1 :] / np.dot(part, part)
        peaks.append(similar[RATE // 400 : RATE // 70].max())  # periods of 70 to 400 Hz
    assert np.median(peaks) < 0.5


def test_bleed_mixes_each_string_into_the_channels_as_its_column_says() -> None:
    matrix = np.array([[1.0, 0.05, -0.01], [0.04, 1.0, 0.06], [0.0, -0.03, 1.0]])
    alone = np.zeros((4, 3))
    alone[:, 1] = [1.0, -2.0, 0.5, 0.0]
    np.testing.assert_allclose(add_bleed(alone, matrix), np.outer(alone[:, 1], matrix[:, 1]))
    both = rng().standard_normal((50, 3))
    np.testing.assert_allclose(add_bleed(both, matrix) @ np.linalg.inv(matrix).T, both, atol=1e-12)


@pytest.mark.parametrize("strings", [4, 6, 10])
def test_an_invented_bleed_matrix_falls_with_distance(strings: int) -> None:
    matrix = bleed_matrix(strings, -26.0, 9.0, rng())
    np.testing.assert_array_equal(np.diag(matrix), 1.0)
    for distance in range(1, strings):
        level = 20 * np.log10(np.abs(np.concatenate([np.diag(matrix, distance), np.diag(matrix, -distance)])))
        assert np.all(np.abs(level - (-26.0 - 9.0 * (distance - 1))) <= 2.0)
    assert (matrix < 0).any()


def test_hum_is_lines_at_multiples_of_the_mains_and_nothing_else() -> None:
    noise = hum(RATE, 6, RATE, -60.0, 50.0, rng())
    level = 20 * np.log10(np.sqrt(np.mean(noise**2, axis=0)))
    assert np.all(np.abs(level + 60.0) < 3.001)
    power = np.abs(np.fft.rfft(noise[:, 2])) ** 2
    assert power[50:351:50].sum() > (1 - 1e-9) * power.sum()
    assert np.all(power[50:351:50] > 1e-4 * power.sum())


def test_hiss_has_the_level_asked_for_and_differs_between_channels() -> None:
    noise = hiss(RATE, 3, -80.0, rng())
    np.testing.assert_allclose(20 * np.log10(noise.std(axis=0)), -80.0, atol=0.1)
    assert np.abs(np.corrcoef(noise.T) - np.eye(3)).max() < 0.02
