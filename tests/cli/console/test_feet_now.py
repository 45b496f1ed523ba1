"""What the screen says of a foot switch is what a press of it does."""

from typing import Any

import pytest

from thumbline.cli.console.feet_now import what_feet_do
from thumbline.dsp.midi.foot_controller import Binding, Controls, bind
from thumbline.dsp.rig.file import rig_from_dict

SONGS = ("Slack Water", "Lantern Walk")


def board(*feet: dict[str, Any]) -> list[Binding]:
    return [
        bind(foot) for foot in rig_from_dict({"feet": [{"number": 80 + n} | foot for n, foot in enumerate(feet)]}).feet
    ]


@pytest.mark.parametrize(
    ("foot", "now", "words"),
    [
        ({"action": "split"}, Controls(), "CC 80 split off"),
        ({"action": "split"}, Controls(split=False), "CC 80 split on"),
        ({"action": "hold"}, Controls(), "CC 80 hold"),
        ({"action": "hold", "behaviour": "latching"}, Controls(hold=True), "CC 80 hold off"),
        ({"action": "unmute all", "message": "note"}, Controls(), "note 80 unmute all"),
        ({"action": "next song"}, Controls(settings=2), "CC 80 to Lantern Walk"),
        ({"action": "next song"}, Controls(setting=1, settings=2), "CC 80 to Slack Water"),
        ({"action": "next song"}, Controls(), "CC 80 next song: nothing now"),
        ({"action": "song", "steps": [2]}, Controls(setting=1, settings=2), "CC 80 song: nothing now"),
        (
            {"action": "song", "message": "program change", "number": "any"},
            Controls(settings=2),
            "PC any goes to that song",
        ),
        ({"action": "interval"}, Controls(interval=-12.0), "CC 80 bass two octaves down"),
        ({"action": "interval"}, Controls(interval=-24.0), "CC 80 bass octave down"),
        ({"action": "bass level"}, Controls(), "CC 80 bass level"),
        ({"action": "bass level", "behaviour": "stepped"}, Controls(), "CC 80 bass -6 dB"),
        ({"action": "bass tone", "behaviour": "stepped"}, Controls(), "CC 80 tone 800 Hz"),
    ],
)
def test_each_switch_says_what_a_press_would_do_now(foot: dict[str, Any], now: Controls, words: str) -> None:
    assert what_feet_do(board(foot), 0, now, SONGS) == (words,)


def test_a_switch_that_is_held_down_says_so() -> None:
    feet = board({"action": "split"}, {"action": "hold"})
    assert what_feet_do(feet, 0b10, Controls(hold=True), SONGS) == ("CC 80 split off", "CC 81 hold, held down")
