"""Two channels with the same sound are found; bleed, chords and silence are not taken for it."""

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.helpers.places import DEMO
from thumbline.dsp.live.alike import EVERY, WINDOW, compare_channels
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.rig.model import Rig

RATE, BLOCK = 48_000, 64
Sound = NDArray[np.float32]


@pytest.fixture(scope="module")
def demo() -> Sound:
    return np.asarray(soundfile.read(DEMO)[0], np.float32)


def found(sound: Sound, rig: Rig | None = None) -> set[tuple[int, int]]:
    """All that was said while ``sound`` passed."""
    engine: Record = np.zeros(1, LIVE)[0].engine
    params = compile_settings([("", rig or Rig())], RATE)[0]
    said = set()
    for first in range(0, len(sound) - BLOCK + 1, BLOCK):
        compare_channels(engine, params, sound[first : first + BLOCK])
        said.add((int(engine.alike[0]), int(engine.alike[1])))
    return said - {(0, 0)}


def noise(channels: int, seconds: float = 2.0) -> Sound:
    return np.asarray(0.1 * np.random.default_rng(5).standard_normal((round(seconds * RATE), channels)), np.float32)


def test_the_strings_of_a_take_are_never_alike(demo: Sound) -> None:
    assert found(demo) == set()


@pytest.mark.parametrize("gain", [1.0, -1.0, 0.71])
def test_a_channel_that_is_a_copy_of_another_is_found(gain: float) -> None:
    sound = noise(6)
    sound[:, 4] = gain * sound[:, 0]
    assert abs(np.corrcoef(sound[:, 0], sound[:, 4])[0, 1]) > 0.9999
    assert found(sound) == {(1, 5)}


def test_two_channels_made_into_six_as_a_sound_server_does_are_found(demo: Sound) -> None:
    """Left and right become front, and the same again behind (common practice in up-mixing, no source)."""
    left, right = demo[:, [5]] + demo[:, [3]], demo[:, [4]] + demo[:, [2]]
    assert found(np.concatenate([left, right, 0.5 * (left + right), 0 * left, 0.7 * left, 0.7 * right], axis=1))


@pytest.mark.parametrize("bleed_db", [-12.0, -17.0, -26.0])
def test_strings_that_hear_nothing_but_the_same_bleed_are_not_alike(bleed_db: float) -> None:
    played = noise(1)
    gains = 10.0 ** (np.array([0.0, bleed_db, bleed_db - 1.0, bleed_db - 2.0, bleed_db, bleed_db]) / 20.0)
    assert found(np.asarray(played * gains, np.float32)) == set()


def test_hum_on_all_channels_while_nobody_plays_is_not_judged() -> None:
    hum = 0.005 * np.sin(2 * np.pi * 50 * np.arange(2 * RATE) / RATE)
    assert found(np.tile(hum[:, None], (1, 6)).astype(np.float32)) == set()


def test_it_is_taken_back_when_it_has_been_mended() -> None:
    engine: Record = np.zeros(1, LIVE)[0].engine
    params = compile_settings([("", Rig())], RATE)[0]
    for channels in (1, 6):
        sound = noise(channels, 2 * EVERY * WINDOW / RATE)
        compare_channels(engine, params, np.broadcast_to(sound, (len(sound), 6)).astype(np.float32))
        assert bool(engine.alike[0]) == (channels == 1)


def test_samples_that_are_no_sound_spoil_one_window_and_not_the_next() -> None:
    sound = noise(6, 4.0)
    sound[:, 1] = sound[:, 0]
    sound[100 * EVERY, 0] = np.nan
    assert found(sound) == {(1, 2)}


def test_channels_are_told_as_the_interface_counts_them() -> None:
    sound = noise(8)
    sound[:, 7] = sound[:, 6]
    rig = Rig.model_validate({"input": {"channels": [3, 4, 5, 6, 7, 8]}})
    assert found(sound, rig) == {(7, 8)}
