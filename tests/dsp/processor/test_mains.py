"""Mains hum: found where it is, to 0.02 Hz, and not found in music.

That mains stay within 1 % of 50 Hz (60 Hz alike): EN 50160, clause 4.2.1, from memory.
"""

from collections.abc import Sequence

import numpy as np
import pytest
from numpy.typing import NDArray

from thumbline.dsp.processor.mains import find_mains
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, hum, render_string
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 24_000
SECONDS = 12.0
FRAMES = round(RATE * SECONDS)
#: Standard deviation of a good player's timing, in seconds (common practice, no source).
TIMING_S = 0.008


def music(
    notes: Sequence[tuple[int, float]], seed: int = 1, each_s: float = 0.5, timing_s: float = TIMING_S
) -> NDArray[np.float64]:
    """Frames (n, 6): the notes ``(string, midi)`` in turn, over and over, by a player who errs by ``timing_s``."""
    rng = np.random.default_rng(seed)
    plucks: dict[int, list[Pluck]] = {}
    for i in range(int(SECONDS / each_s) - 1):
        string, midi = notes[i % len(notes)]
        start, velocity = 0.3 + i * each_s + rng.normal(0.0, timing_s), rng.uniform(0.5, 0.9)
        plucks.setdefault(string, []).append(Pluck(start, midi, start + 0.85 * each_s, velocity))
    take = hiss(FRAMES, 6, -90.0, rng)
    for string, line in plucks.items():
        take[:, string - 1] += render_string(STRINGS[string], line, FRAMES, RATE, rng)[0]
    return np.asarray(take, np.float64)


def find(take: Signal, block: int = 7001) -> float | None:
    return find_mains((np.asarray(take[i : i + block], np.float64) for i in range(0, len(take), block)), RATE)


SONG = music([(6, 40.0), (5, 48.0), (4, 52.0), (2, 64.0), (3, 57.0), (1, 69.0)])


@pytest.mark.parametrize("hz", [49.6, 49.97, 50.0, 50.04, 50.4, 59.5, 59.98, 60.0, 60.03, 60.5])
def test_hum_without_music_is_found_to_a_fiftieth_of_a_hertz(hz: float) -> None:
    rng = np.random.default_rng(2)
    found = find(hum(FRAMES, 6, RATE, -60.0, hz, rng) + hiss(FRAMES, 6, -85.0, rng))
    assert found == pytest.approx(hz, abs=0.02)


@pytest.mark.parametrize("hz", [49.9, 50.03, 59.97, 60.1])
@pytest.mark.parametrize("level_db", [-66.0, -54.0, -42.0])
def test_hum_under_music_is_found_to_a_fiftieth_of_a_hertz(hz: float, level_db: float) -> None:
    take = SONG + hum(FRAMES, 6, RATE, level_db, hz, np.random.default_rng(3))
    assert find(take) == pytest.approx(hz, abs=0.02)


# Notes next to the mains' harmonics: G2 is 98.0 Hz, B2 123.5 Hz; 35 cents sharp, G2 is 100 Hz; 49 cents flat,
# B2 is 120 Hz.
BESIDE = {
    "G2": [(6, 43.0)],
    "a sharp G2": [(6, 43.35)],
    "B2": [(5, 47.0)],
    "a flat B2": [(6, 46.51)],
    "G2 and B2": [(6, 43.0), (5, 47.0)],
    "multiples of 100 Hz": [(6, 43.35), (4, 50.35), (3, 55.36)],
}


@pytest.mark.parametrize("notes", BESIDE.values(), ids=BESIDE)
def test_no_hum_is_found_in_music_beside_its_harmonics(notes: list[tuple[int, float]]) -> None:
    assert find(music(notes)) is None


@pytest.mark.parametrize("notes", BESIDE.values(), ids=BESIDE)
def test_no_hum_is_found_in_music_that_a_machine_repeats(notes: list[tuple[int, float]]) -> None:
    assert find(music(notes, timing_s=0.0)) is None


def test_no_hum_is_found_in_a_song_noise_or_silence() -> None:
    assert find(SONG) is None
    assert find(hiss(FRAMES, 6, -40.0, np.random.default_rng(4))) is None
    assert find(np.zeros((FRAMES, 6))) is None


def test_a_take_too_short_to_tell_says_nothing() -> None:
    rng = np.random.default_rng(5)
    assert find(hum(RATE // 2, 6, RATE, -50.0, 50.0, rng)) is None
    assert find(np.zeros((0, 6))) is None


def test_two_seconds_are_enough_for_a_tenth_of_a_hertz() -> None:
    rng = np.random.default_rng(6)
    found = find(hum(2 * RATE, 6, RATE, -55.0, 50.02, rng) + hiss(2 * RATE, 6, -85.0, rng))
    assert found == pytest.approx(50.02, abs=0.1)


@pytest.mark.parametrize("rate", [22_050, 44_100, 48_000, 96_000])
def test_the_frequency_does_not_depend_on_the_sample_rate(rate: int) -> None:
    frames = 9 * rate
    take = hum(frames, 2, rate, -50.0, 60.02, np.random.default_rng(7))
    found = find_mains(iter([np.asarray(take, np.float64)]), rate)
    assert found == pytest.approx(60.02, abs=0.02)


def test_blocks_of_any_size_give_the_same() -> None:
    take = SONG + hum(FRAMES, 6, RATE, -55.0, 50.01, np.random.default_rng(8))
    assert find(take, 509) == find(take, 100_000) == find(take, FRAMES)
