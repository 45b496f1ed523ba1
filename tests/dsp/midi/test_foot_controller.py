"""Foot switches and pedals: each behaviour, message by message."""

import math
from typing import Any

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thumbline.dsp.midi.foot_controller import ACTIONS, Controls, FootBoard, bind, read_press
from thumbline.dsp.rig.file import rig_from_dict

CC, NOTE_ON, NOTE_OFF, PROGRAM = 0xB0, 0x90, 0x80, 0xC0
SWITCH = {"action": "split", "number": 80}


def board(*feet: dict[str, Any]) -> FootBoard:
    return FootBoard(bind(foot) for foot in rig_from_dict({"feet": list(feet)}).feet)


def asked(feet: FootBoard, field: str, *messages: tuple[int, ...], now: Controls | None = None) -> list[Any]:
    """What is asked of one thing after each message."""
    now = now or Controls(settings=5)
    values: list[Any] = []
    for message in messages:
        now = feet.feed(message, now)
        values.append(getattr(now, field))
    return values


ON, OFF = (CC, 80, 127), (CC, 80, 0)


def test_a_latching_switch_turns_over_at_each_press_and_not_when_it_is_let_go() -> None:
    assert asked(board(SWITCH), "split", ON, OFF, ON, OFF) == [False, False, True, True]


def test_a_momentary_switch_is_on_while_it_is_down() -> None:
    hold = board({"action": "hold", "number": 80})
    assert asked(hold, "hold", ON, OFF, ON) == [True, False, True]


def test_a_switch_that_says_on_at_each_press_and_never_off_turns_over_each_time() -> None:
    assert asked(board(SWITCH), "split", ON, ON, ON) == [False, True, False]


def test_a_pedal_that_passes_through_the_upper_half_presses_once() -> None:
    sweep = [(CC, 80, value) for value in (0, 40, 63, 64, 90, 127, 100, 70, 63, 0)]
    assert asked(board(SWITCH), "split", *sweep) == [True] * 3 + [False] * 7


def test_a_latching_switch_turns_over_what_a_key_has_changed_in_between() -> None:
    feet = board(SWITCH)
    assert feet.feed(ON, Controls(split=False)).split is True


def test_a_note_is_a_switch_too_however_softly_it_comes() -> None:
    feet = board({"action": "hold", "message": "note", "number": 60})
    messages = [(NOTE_ON, 60, 1), (NOTE_OFF, 60, 64), (NOTE_ON, 60, 100), (NOTE_ON, 60, 0)]
    assert asked(feet, "hold", *messages) == [True, False, True, False]


def test_a_program_change_is_a_press_each_time() -> None:
    feet = board({"action": "split", "message": "program change", "number": 3})
    assert asked(feet, "split", (PROGRAM, 3), (PROGRAM, 3), (PROGRAM, 4)) == [False, True, True]


def test_a_pedal_moves_the_level_in_even_steps_of_db() -> None:
    feet = board({"action": "bass level", "number": 11, "low": -60, "high": 6})
    levels = asked(feet, "bass_level_db", (CC, 11, 0), (CC, 11, 127), (CC, 11, 64))
    assert levels[:2] == [-60.0, 6.0]
    assert levels[2] == pytest.approx(-60 + 66 * 64 / 127)


def test_a_pedal_moves_the_tone_in_even_steps_of_pitch() -> None:
    feet = board({"action": "bass tone", "number": 11, "low": 100, "high": 6400})
    tones = asked(feet, "tone_hz", (CC, 11, 0), (CC, 11, 127), (CC, 11, 63), (CC, 11, 64))
    assert tones[:2] == pytest.approx([100, 6400])
    assert tones[2] * tones[3] == pytest.approx(100 * 6400)  # either side of the middle
    assert tones[3] / tones[2] == pytest.approx(2 ** (6 / 127))


def test_a_pedal_may_work_the_other_way_round() -> None:
    feet = board({"action": "bass level", "number": 11, "low": 0, "high": -20})
    assert asked(feet, "bass_level_db", (CC, 11, 0), (CC, 11, 127)) == [0.0, -20.0]


def test_a_pedal_moves_the_interval_by_whole_semitones() -> None:
    feet = board({"action": "interval", "number": 11, "behaviour": "pedal"})
    values = asked(feet, "interval", *((CC, 11, value) for value in range(128)))
    assert values[0] == -12
    assert values[-1] == -24
    assert set(values) == set(range(-24, -11))


def test_a_momentary_switch_boosts_the_level_while_it_is_down() -> None:
    feet = board({"action": "bass level", "number": 80, "behaviour": "momentary", "low": 0, "high": 6})
    assert asked(feet, "bass_level_db", ON, OFF) == [6.0, 0.0]


def test_a_latching_switch_goes_between_two_levels() -> None:
    feet = board({"action": "bass level", "number": 80, "behaviour": "latching", "low": -6, "high": 3})
    assert asked(feet, "bass_level_db", ON, OFF, ON, OFF, ON) == [3.0, 3.0, -6.0, -6.0, 3.0]


def test_a_stepped_switch_goes_round_and_begins_after_what_is_in_force() -> None:
    feet = board({"action": "interval", "number": 80, "steps": [-12, -7, -24]})
    assert asked(feet, "interval", ON, OFF, ON, ON, now=Controls(interval=-7.0)) == [-24, -24, -12, -7]
    assert asked(feet, "interval", ON, now=Controls(interval=-5.0)) == [-12]


def test_next_and_previous_go_round_the_settings_of_the_set() -> None:
    feet = board({"action": "next song", "number": 80}, {"action": "previous song", "number": 81})
    assert asked(feet, "setting", ON, ON, ON, now=Controls(setting=3, settings=5)) == [4, 0, 1]
    assert asked(feet, "setting", (CC, 81, 127), (CC, 81, 127), now=Controls(setting=1, settings=5)) == [0, 4]
    assert asked(feet, "setting", ON, now=Controls()) == [0]


def test_another_setting_has_its_own_interval_while_level_and_tone_stay_with_the_foot() -> None:
    feet = board({"action": "next song", "number": 80})
    after = feet.feed(ON, Controls(settings=2, interval=-24.0, bass_level_db=-20.0, tone_hz=500.0))
    assert math.isnan(after.interval)
    assert (after.bass_level_db, after.tone_hz) == (-20.0, 500.0)
    alone = Controls(settings=1, interval=-24.0)
    assert feet.feed(OFF, alone) == feet.feed(ON, alone) == alone, "the only setting there is is no other one"


def test_a_switch_for_a_setting_goes_there_counting_from_1() -> None:
    feet = board({"action": "song", "number": 80, "steps": [3]})
    assert asked(feet, "setting", ON, OFF, ON) == [2, 2, 2]
    assert asked(feet, "setting", ON, now=Controls(setting=1, settings=2)) == [1]


def test_a_switch_may_go_between_two_settings_and_passes_over_those_that_the_set_has_not() -> None:
    feet = board({"action": "song", "number": 80, "steps": [1, 9, 4]})
    assert asked(feet, "setting", ON, ON, ON) == [3, 0, 3]


def test_any_program_change_may_choose_the_setting() -> None:
    feet = board({"action": "song", "message": "program change", "number": "any"})
    assert asked(feet, "setting", (PROGRAM, 0), (PROGRAM, 4), (PROGRAM, 5)) == [0, 4, 4]


def test_one_switch_may_do_two_things() -> None:
    feet = board(SWITCH, {"action": "next song", "number": 80})
    after = feet.feed(ON, Controls(settings=2))
    assert (after.split, after.setting) == (False, 1)


@pytest.mark.parametrize("message", [(CC + 1, 80, 127), (CC, 81, 127), (NOTE_ON, 80, 127), (PROGRAM, 80)])
def test_another_channel_number_or_kind_of_message_is_not_the_switch(message: tuple[int, ...]) -> None:
    assert asked(board(SWITCH), "split", message) == [True]


@given(st.lists(st.integers(0, 255), max_size=5))
def test_whatever_comes_in_what_is_asked_stays_in_its_range(message: list[int]) -> None:
    feet = board(
        *({"action": action, "number": 80} | ({"steps": [2]} if action == "song" else {}) for action in ACTIONS),
        {"action": "song", "message": "program change", "number": "any"},
    )
    after = feet.feed(message, Controls(settings=5))
    assert -60 <= after.bass_level_db <= 12
    assert 80 <= after.tone_hz <= 20000
    assert -24 <= after.interval <= 0 or math.isnan(after.interval)
    assert 0 <= after.setting < 5


@given(st.lists(st.integers(0, 255), max_size=5))
def test_what_is_not_a_whole_message_says_nothing(message: list[int]) -> None:
    press = read_press(message)
    if press is not None:
        assert 0 <= press.number <= 127
        assert 0 <= press.value <= 127
        assert 1 <= press.channel <= 16


def test_every_action_has_a_behaviour_that_auto_stands_for() -> None:
    for action, about in ACTIONS.items():
        foot = rig_from_dict({"feet": [{"action": action} | ({"steps": [1]} if action == "song" else {})]}).feet[0]
        assert bind(foot).behaviour == about.behaviours[0]


def test_the_tuner_is_on_while_a_switch_is_held_or_until_the_next_press() -> None:
    assert asked(board({"action": "tuner", "number": 80}), "tuner", ON, OFF, ON) == [True, False, True]
    latching = board({"action": "tuner", "number": 80, "behaviour": "latching"})
    assert asked(latching, "tuner", ON, OFF, ON) == [True, True, False]


def test_each_press_asks_once_to_save_what_is_set() -> None:
    assert asked(board({"action": "save song", "number": 80}), "save", ON, OFF, ON) == [1, 1, 2]
