"""What is left for the guitar, against sums done by hand."""

import math

import numpy as np
import pytest

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.guitar_mix import mix_guitar
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import LEFT, OUTPUTS, RIGHT, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Signal

RATE = 48_000
SAMPLES = np.array([1.0, 10.0, 100.0, 1000.0, 10000.0, 100000.0])  # a sum tells which strings are in it


@kernel
def _remain(p: Record, st: Record, out: np.ndarray) -> None:
    for frame in out:
        mix_guitar(p, st, frame)


class Guitar:
    def __init__(self, crossfade_ms: float = 5.0, **settings: object) -> None:
        rig = Rig.model_validate({"guitar": settings, "bass": {"crossfade_ms": crossfade_ms}})
        self.params = compile_parameters(rig, RATE)
        self.state = initial_state(self.params)
        self.state[0]["clean"][:6] = SAMPLES

    def play(self, bass_string: int, frames: int) -> Signal:
        """Left and right (n, 2) while ``bass_string`` (0: none) is the bass."""
        self.state[0]["bass"] = bass_string - 1
        out = np.full((frames, OUTPUTS), np.nan)
        _remain(self.params[0], self.state[0], out)
        return out[:, [LEFT, RIGHT]]


def test_without_a_bass_all_strings_are_left_and_a_mono_guitar_is_the_same_on_both_sides() -> None:
    np.testing.assert_allclose(Guitar().play(0, 3), 111111.0)


def test_the_bass_string_is_left_out_once_it_has_faded() -> None:
    guitar = Guitar()
    guitar.play(6, 240)
    np.testing.assert_allclose(guitar.play(6, 1), 11111.0)
    guitar.play(5, 240)
    np.testing.assert_allclose(guitar.play(5, 1), 101111.0)


@pytest.mark.parametrize("crossfade_ms", [1.0, 5.0, 50.0])
def test_a_string_fades_out_and_in_linearly_over_the_crossfade(crossfade_ms: float) -> None:
    guitar = Guitar(crossfade_ms)
    frames = round(crossfade_ms * RATE / 1000)
    ramp = np.arange(1, frames + 1) / frames
    np.testing.assert_allclose(guitar.play(6, frames)[:, 0], 11111.0 + (1 - ramp) * 100000.0, rtol=1e-9)
    np.testing.assert_allclose(guitar.play(0, frames)[:, 0], 11111.0 + ramp * 100000.0, rtol=1e-9)


def test_all_keeps_the_bass_string_in() -> None:
    np.testing.assert_allclose(Guitar(strings="all").play(6, 500), 111111.0)


def test_level_is_in_decibels() -> None:
    np.testing.assert_allclose(Guitar(level_db=-20.0).play(0, 1), 11111.1)


def test_pan_keeps_the_power_of_each_string_whatever_its_place() -> None:
    # Constant power: left cos, right sin of an angle from 0 to 90 degrees (common practice, no source).
    pan = [-1.0, -0.5, 0.0, 0.5, 1.0, 0.2]
    guitar = Guitar(stereo=True, pan=pan)
    for s in range(6):
        guitar.state[0]["clean"] = 0.0
        guitar.state[0]["clean"][s] = 1.0
        left, right = guitar.play(0, 1)[0]
        assert left**2 + right**2 == pytest.approx(1.0, abs=1e-12)
        assert math.atan2(right, left) == pytest.approx((pan[s] + 1) * math.pi / 4, abs=1e-12)
    assert 20 * math.log10(math.cos(math.pi / 4)) == pytest.approx(-3.01, abs=0.01)  # the middle


def test_pan_means_nothing_to_a_mono_guitar() -> None:
    np.testing.assert_allclose(Guitar(pan=[-1.0, 1.0, 0.0, 0.0, 0.5, -0.5]).play(0, 1), 111111.0)
