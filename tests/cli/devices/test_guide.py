"""The guide goes on when it has heard what it asked for, and says what it hears instead."""

from collections.abc import Iterator

import numpy as np
import pytest
from numpy.typing import NDArray

from thumbline.cli.devices.guide import PLUCKS, guide
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000


def make_take(
    order: tuple[int, ...] = (6, 5, 4, 3, 2, 1), silence_s: float = 2.3, bleed: float = 0.05
) -> NDArray[np.float64]:
    """Each string of ``order`` three times, a second apart; a string's number is its channel."""
    rng = np.random.default_rng(1)
    frames = round((silence_s + 3.0 * len(order) + 0.5) * RATE)
    take = np.asarray(hiss(frames, 6, -80.0, rng), np.float64)
    for place, string in enumerate(order):
        begins = [silence_s + 3.0 * place + each for each in range(3)]
        plucks = [Pluck(begin, round(STRINGS[string].open_midi), begin + 0.85, 0.7) for begin in begins]
        take[:, string - 1] += render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
    return take @ (np.eye(6) + bleed * (np.eye(6, k=1) + np.eye(6, k=-1)))


def blocks_of(take: NDArray[np.float64], size: int = 480) -> Iterator[NDArray[np.float64]]:
    for start in range(0, len(take), size):
        yield take[start : start + size]


def run(take: NDArray[np.float64], size: int = 480) -> tuple[tuple[int, ...], bool, list[str]]:
    said: list[str] = []
    guided = guide(blocks_of(take, size), Rig(), RATE, said.append)
    return guided.plucks, guided.complete, said


TAKE = make_take()


@pytest.mark.parametrize("size", [64, 480, 100_000])
def test_each_string_is_asked_for_in_turn_and_heard(size: int) -> None:
    plucks, complete, said = run(TAKE, size)
    assert plucks == (PLUCKS,) * 6
    assert complete
    asked = [line for line in said if line.startswith("Now")]
    assert [line.split()[2] for line in asked] == list("654321")
    assert said[0].startswith("Hands off")


def test_it_waits_for_silence_and_says_who_is_heard() -> None:
    noisy = make_take(order=(3, 6, 5, 4, 3, 2, 1), silence_s=0.6)
    noisy = np.concatenate([noisy[: round(3.6 * RATE)], TAKE])
    plucks, complete, said = run(noisy)
    assert plucks == (PLUCKS,) * 6
    assert complete
    assert any("string 3" in line for line in said if line.startswith("Not silent"))


def test_another_string_than_the_one_asked_for_is_named() -> None:
    plucks, _, said = run(make_take(order=(5, 6, 4, 3, 2, 1)))
    assert plucks[5] == 0
    assert plucks[4] == 0
    assert any("channel 5, which carries string 5" in line for line in said)


def test_a_string_that_is_never_played_is_passed_over() -> None:
    rest = make_take(order=(5, 4, 3, 2, 1), silence_s=0.5)
    silence = TAKE[: round(2.2 * RATE)]
    take = np.concatenate([silence] * 11 + [rest])
    plucks, complete, said = run(take)
    assert plucks == (PLUCKS,) * 5 + (0,)
    assert complete
    assert any("string 6 (E2) is not heard enough" in line for line in said)


def test_a_sound_that_ends_early_is_not_complete() -> None:
    plucks, complete, _ = run(TAKE[: 8 * RATE])
    assert not complete
    assert plucks[5] == PLUCKS
    assert run(TAKE[:RATE])[1] is False
    assert run(np.zeros((0, 6)))[1] is False


def test_hum_and_digital_silence_do_not_disturb() -> None:
    t = np.arange(len(TAKE)) / RATE
    hum = 0.02 * np.sin(2 * np.pi * 50.0 * t)[:, None]
    assert run(TAKE + hum)[0] == (PLUCKS,) * 6
    dead = TAKE.copy()
    dead[:, 0] = 0.0
    plucks, _, _ = run(dead)
    assert plucks[1:] == (PLUCKS,) * 5
