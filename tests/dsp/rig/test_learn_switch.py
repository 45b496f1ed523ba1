"""One press, and the rig has the switch; the rest of the file stays as it was."""

from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.foot_controller import ACTIONS, Press
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.learn_switch import learn, pressed

SWITCH = Press("control change", 2, 81, 127)
MINE = """\
# my guitar
[instrument]
capo = 2   # always

[[feet]]
action = 'hold' # left foot
number = 64
behaviour = 'latching'
"""


@pytest.fixture
def rig(tmp_path: Path) -> Path:
    path = tmp_path / "rig.toml"
    path.write_text(MINE)
    return path


def test_a_new_switch_is_added_and_all_else_stays_letter_by_letter(rig: Path) -> None:
    learn(rig, "split", SWITCH)
    assert rig.read_text().startswith(MINE)
    hold, split = load_rig(rig).feet
    assert (hold.action, hold.number) == ("hold", 64)
    assert (split.action, split.message, split.channel, split.number) == ("split", "control change", 2, 81)


def test_a_switch_that_is_known_gets_its_new_number_and_keeps_what_else_it_says(rig: Path) -> None:
    assert learn(rig, "hold", SWITCH)["behaviour"] == "latching"
    text = rig.read_text()
    assert "# left foot" in text
    assert "capo = 2   # always" in text
    (hold,) = load_rig(rig).feet
    assert (hold.number, hold.channel, hold.behaviour) == (81, 2, "latching")


@pytest.mark.parametrize(
    "text", ["", "[midi]\nbend_range = 3\n", "# nothing\n[mutes]\n[[mutes.modules]]\nchannel = 3\n"]
)
def test_the_first_switch_of_a_rig_is_added_at_its_end(tmp_path: Path, text: str) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(text)
    learn(path, "interval", SWITCH, steps=[-12, -24])
    assert path.read_text().startswith(text)
    assert load_rig(path).feet[0].steps == (-12, -24)


def test_every_action_can_be_learned_from_a_control_change(rig: Path) -> None:
    for number, action in enumerate(ACTIONS):
        learn(rig, action, Press("control change", 1, number, 127), steps=[2] if action == "song" else [])
    assert {foot.action for foot in load_rig(rig).feet} == set(ACTIONS)


@pytest.mark.parametrize(
    ("action", "press", "message"),
    [
        ("hold", Press("program change", 1, 3, 127), None),
        ("bass level", Press("note", 1, 3, 127), 'message is "note"; accepted for a pedal'),
        ("song", SWITCH, r"steps is \[\]; accepted"),
        ("fly", SWITCH, "action is 'fly'; accepted: split, hold"),
    ],
)
def test_a_press_that_cannot_do_that_leaves_the_file_as_it_was(
    rig: Path, action: str, press: Press, message: str | None
) -> None:
    if message is None:
        learn(rig, action, press)
        return
    with pytest.raises(InputError, match=message):
        learn(rig, action, press)
    assert rig.read_text() == MINE


def test_what_a_switch_steps_through_is_written_with_it(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text("feet = []\n")
    written = learn(path, "interval", SWITCH, behaviour="stepped", steps=(-12, -24))
    assert (written["behaviour"], written["steps"]) == ("stepped", [-12, -24])
    (foot,) = load_rig(path).feet
    assert (foot.action, foot.behaviour, foot.steps) == ("interval", "stepped", (-12, -24))


CC, PC = 0xB0, 0xC0


@pytest.mark.parametrize(
    ("messages", "number"),
    [
        ([(CC, 80, 127), (CC, 80, 0)], 80),
        ([(CC, 80, 0), (CC, 81, 127)], 81),
        ([(CC, 0, 0), (CC, 32, 1), (PC, 7)], 7),
        ([(CC, 0, 127), (PC, 9)], 9),
        ([(0xFE,), (CC, 121, 127), (0x90, 60, 5)], 60),
    ],
)
def test_a_press_is_known_from_what_comes_with_it(messages: list[tuple[int, ...]], number: int) -> None:
    press = pressed(messages, pedal=False)
    assert press is not None
    assert press.number == number


def test_a_pedal_is_the_controller_that_moves_most() -> None:
    messages = [(CC, 7, 3), *((CC, 11, value) for value in range(0, 127, 5)), (CC, 7, 4)]
    press = pressed(messages, pedal=True)
    assert press is not None
    assert press.number == 11


def test_what_is_let_go_or_no_switch_is_no_press() -> None:
    assert pressed([(CC, 80, 0), (0xF8,), (0x80, 60, 0)], pedal=False) is None
    assert pressed([(0x90, 60, 5)], pedal=True) is None
