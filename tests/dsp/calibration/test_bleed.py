"""Estimating the bleed matrix: from playing with a known matrix, and from playing that says little."""

import numpy as np
import pytest
from numpy.typing import NDArray

from thumbline.dsp.calibration.bleed import estimate_bleed, played_strings, unmixed_power
from thumbline.dsp.calibration.survey import survey
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo import open_strings_take
from thumbline.dsp.synthetic.model_take import add_bleed, bleed_matrix
from thumbline.dsp.synthetic.string_model import Signal

RATE, BLOCK = 12_000, 240
FLOOR = 1e-9


def mixed(strings: NDArray[np.float64], matrix: Signal) -> NDArray[np.float64]:
    return np.asarray(add_bleed(strings, matrix), np.float64)


def playing(strings: int, seconds: float, rng: np.random.Generator, idle: tuple[int, ...] = ()) -> NDArray[np.float64]:
    """Frames (n, strings): each string a tone of its own that now and then sounds, and noise."""
    frames = round(seconds * RATE)
    time = np.arange(frames) / RATE
    take = np.zeros((frames, strings))
    for s in range(strings):
        if s not in idle:
            on = np.repeat(rng.random(frames // 3000 + 1) < 0.4, 3000)[:frames]
            tone = np.sin(2 * np.pi * (97.0 * 1.31**s * time + rng.random()))
            take[:, s] = 0.2 * on * (tone + 0.4 * np.sin(2 * np.pi * 2.003 * 97.0 * 1.31**s * time))
    return take


def moments(take: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    noisy = take + np.sqrt(FLOOR) * rng.standard_normal(take.shape)
    parts = noisy[: len(noisy) // BLOCK * BLOCK].reshape(-1, BLOCK, take.shape[1])
    return np.einsum("bti,btj->bij", parts, parts) / BLOCK


def estimate(take: NDArray[np.float64], rng: np.random.Generator) -> NDArray[np.float64]:
    return estimate_bleed(moments(take, rng), np.full(take.shape[1], FLOOR))


@pytest.mark.parametrize("nearest_db", [-40.0, -26.0, -20.0, -18.0])
@pytest.mark.parametrize("strings", [4, 6, 7, 10])
def test_a_known_matrix_is_found_with_its_signs(strings: int, nearest_db: float) -> None:
    rng = np.random.default_rng(strings)
    matrix = bleed_matrix(strings, nearest_db, 6.0, rng)
    found = estimate(mixed(playing(strings, 20.0, rng), matrix), rng)
    assert (matrix < 0).any()
    assert np.abs(found - matrix).max() < 0.003
    heard = np.abs(matrix) > 0.01
    np.testing.assert_array_equal(np.sign(found[heard]), np.sign(matrix[heard]))
    np.testing.assert_array_equal(np.diag(found), 1.0)


def test_without_bleed_none_is_found() -> None:
    rng = np.random.default_rng(1)
    found = estimate(playing(6, 15.0, rng), rng)
    assert np.abs(found - np.eye(6)).max() < 0.003


def test_a_string_that_is_never_played_leaves_no_bleed_and_spoils_no_other_column() -> None:
    rng = np.random.default_rng(2)
    matrix = bleed_matrix(6, -22.0, 6.0, rng)
    take = playing(6, 20.0, rng, idle=(3,))
    found = estimate(mixed(take, matrix), rng)
    others = [0, 1, 2, 4, 5]
    np.testing.assert_array_equal(found[others, 3], 0.0)
    assert np.abs(found - matrix)[:, others].max() < 0.003
    played = played_strings(moments(mixed(take, matrix), rng), np.full(6, FLOOR))
    assert played.tolist() == [True, True, True, False, True, True]


def test_the_same_sound_on_all_channels_is_no_bleed() -> None:
    rng = np.random.default_rng(3)
    one = playing(1, 10.0, rng)
    found = estimate(np.repeat(one, 6, axis=1), rng)
    np.testing.assert_array_equal(found, np.eye(6))


@pytest.mark.parametrize("sign", [1.0, -1.0])
def test_two_channels_that_carry_the_same_string_both_keep_it(sign: float) -> None:
    rng = np.random.default_rng(4)
    take = playing(6, 15.0, rng)
    take[:, 4] = sign * take[:, 5]
    heard = moments(take, rng)
    left = unmixed_power(heard, estimate_bleed(heard, np.full(6, FLOOR)))
    lost_db = 10.0 * np.log10(left.sum(axis=0) / np.einsum("bii->i", heard))
    assert np.abs(lost_db).max() < 3.0


@pytest.mark.parametrize("blocks", [1, 2, 5, 9])
def test_a_take_too_short_to_tell_has_no_bleed(blocks: int) -> None:
    rng = np.random.default_rng(5)
    found = estimate(rng.standard_normal((blocks * BLOCK, 6)), rng)
    np.testing.assert_array_equal(found, np.eye(6))


def test_silence_has_no_bleed() -> None:
    np.testing.assert_array_equal(estimate_bleed(np.zeros((100, 6, 6)), np.full(6, 1e-10)), np.eye(6))


def test_taking_out_the_true_bleed_leaves_the_power_of_each_string() -> None:
    rng = np.random.default_rng(6)
    matrix = bleed_matrix(6, -15.0, 5.0, rng)
    take = playing(6, 5.0, rng)
    quiet = np.random.default_rng(0)
    heard = moments(mixed(take, matrix), quiet)
    parts = take[: len(take) // BLOCK * BLOCK].reshape(-1, BLOCK, 6)
    np.testing.assert_allclose(
        unmixed_power(heard, np.asarray(matrix, np.float64)), np.mean(parts**2, axis=1), atol=1e-5
    )


def test_the_bleed_of_the_model_guitar_is_found_by_a_survey_of_its_open_strings() -> None:
    take = open_strings_take()
    found = survey(lambda: iter([np.asarray(take.audio, np.float64)]), Rig(), 48_000).bleed
    assert np.abs(found - take.bleed).max() < 0.004
    heard = np.abs(take.bleed) > 0.02
    np.testing.assert_array_equal(np.sign(found[heard]), np.sign(take.bleed[heard]))
