"""Settings that are good alone but do not fit together."""

from collections.abc import Mapping

import numpy as np
import pytest

from tests.helpers.refused_rigs import refusal
from thumbline.dsp.rig.file import rig_from_dict


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            {"input": {"channels": [1, 2, 3, 4, 5, 2]}},
            "input.channels[5] is 2, as is input.channels[1]; accepted: each channel once",
        ),
        ({"input": {"invert": [1, 7]}}, "input.invert[1] is 7; accepted: a string number, 1 to 6"),
        (
            {"choice": {"strings": [6, 5, 6]}},
            "choice.strings[2] is 6, as is choice.strings[0]; accepted: each string once",
        ),
        (
            {"choice": {"strings": [7], "highest_note": "E3"}},
            "choice.strings[0] is 7; accepted: a string number, 1 to 6",
        ),
        (
            {"choice": {"highest_note": "D2"}},
            'choice.highest_note is "D2"; accepted: "any" or a note from E2 ',
        ),
        (
            {"choice": {"highest_note": "F2"}, "instrument": {"capo": 2}},
            'choice.highest_note is "F2"; accepted: "any" or a note from F#2 ',
        ),
        (
            {"detect": {"on_db": [-40] * 6, "off_db": [-50] * 5 + [-40]}},
            "detect.on_db[5] is -40.0; accepted: more than detect.off_db[5], which is -40.0",
        ),
        (
            {"mutes": {"modules": [{"unmuted_value": 127}]}},
            "mutes.modules[0].muted_value is 127, as is mutes.modules[0].unmuted_value; accepted: two",
        ),
        (
            {"mutes": {"modules": [{"controllers": [20, 21, 22, 23, 24, 20]}]}},
            "mutes.modules[0].controllers[5] is 20 on channel 1, as is mutes.modules[0].controllers[0]",
        ),
        (
            {"mutes": {"modules": [{}, {"controllers": [20, 21, 22, 23, 24, 107]}]}},
            "mutes.modules[1].controllers[5] is 107 on channel 1, as is mutes.modules[0].controllers[5]",
        ),
        (
            {"mutes": {"modules": [{"controllers": [20]}]}},
            "mutes.modules[0].controllers has 1 value; accepted: 6, one per string (instrument.strings)",
        ),
        (
            {"live": {"bass_outputs": [1, 3, 1]}},
            "live.bass_outputs[2] is 1, as is live.bass_outputs[0]; accepted: each output once",
        ),
        (
            {"live": {"guitar_levels_db": [0, 0]}},
            "live.guitar_levels_db has 2 values; accepted: 1, one per output (live.guitar_outputs)",
        ),
        (
            {"guitar": {"stereo": True}, "live": {"guitar_outputs": [4]}},
            "live.guitar_outputs has 1 value; accepted: left and right by turns while guitar.stereo is true",
        ),
        (
            {"feet": [{"behaviour": "pedal"}]},
            'feet[0].behaviour is "pedal"; accepted for "split": "auto" or "latching"',
        ),
        (
            {"feet": [{"action": "hold", "message": "program change"}]},
            'feet[0].behaviour is "momentary"; accepted for program changes, which are never let go: "latching"',
        ),
        (
            {"feet": [{"action": "bass tone", "message": "note"}]},
            'feet[0].message is "note"; accepted for a pedal: "control change"',
        ),
        ({"feet": [{"number": 120}]}, "feet[0].number is 120; accepted for control changes: 0 to 119"),
        (
            {"feet": [{"number": "any"}]},
            'feet[0].number is "any"; accepted: 0 to 127, or "any" for the action "song"',
        ),
        (
            {"feet": [{}, {"action": "interval", "steps": [-12, -7.5], "number": 1}]},
            'feet[1].steps[1] is -7.5; accepted: a whole number, -24 to 0 for "interval"',
        ),
        (
            {"feet": [{"action": "bass level", "high": 13}]},
            'feet[0].high is 13; accepted: -60 to 12 for "bass level"',
        ),
        ({"feet": [{"action": "bass tone", "low": 79}]}, 'feet[0].low is 79; accepted: 80 to 20000 for "bass tone"'),
        ({"feet": [{"low": 1}]}, 'feet[0].low is 1.0; accepted for "split": "auto"'),
        (
            {"feet": [{"action": "next song", "steps": [1]}]},
            'feet[0].steps[0] is 1.0; accepted for "next song": no steps',
        ),
        (
            {"feet": [{"action": "interval", "low": -12}]},
            'feet[0].low is -12.0; accepted for a stepped switch: "auto" (its values stand in steps)',
        ),
        (
            {"feet": [{"action": "bass level", "steps": [1]}]},
            'feet[0].steps[0] is 1.0; accepted while behaviour is "pedal": no steps',
        ),
        (
            {"feet": [{"action": "song"}]},
            'feet[0].steps is []; accepted for "song": the numbers of songs, from 1',
        ),
        (
            {"feet": [{"action": "song", "steps": [0]}]},
            "feet[0].steps[0] is 0; accepted: a whole number, 1 to 32",
        ),
        ({"feet": [{}, {}]}, 'feet[1] is the same switch and action as feet[0] ("split"); accepted: each once'),
    ],
)
def test_settings_that_contradict_each_other_are_refused(table: Mapping[str, object], message: str) -> None:
    assert refusal(table).startswith(message)


def test_the_same_controllers_on_another_channel_are_no_contradiction() -> None:
    assert len(rig_from_dict({"mutes": {"modules": [{}, {"channel": 2}]}}).mutes.modules) == 2


def test_an_output_may_carry_bass_and_guitar_and_a_switch_do_two_things() -> None:
    rig = rig_from_dict({"live": {"bass_outputs": [1, 2], "guitar_outputs": [1, 2]}, "feet": [{}, {"action": "hold"}]})
    assert rig.live.guitar_levels_db == (0.0, 0.0)
    assert [foot.action for foot in rig.feet] == ["split", "hold"]


def matrix(beside: float, count: int = 6) -> list[list[float]]:
    return (np.full((count, count), beside) + (1.0 - beside) * np.eye(count)).tolist()


def test_a_bleed_matrix_is_accepted_if_the_strings_can_be_told_apart() -> None:
    rig = rig_from_dict({"bleed": {"matrix": matrix(0.1)}})
    np.testing.assert_array_equal(rig.bleed.matrix, matrix(0.1))


def test_a_bleed_matrix_that_cannot_be_undone_is_refused() -> None:
    assert refusal({"bleed": {"matrix": matrix(-0.2)}}).startswith("bleed.matrix is singular")  # rows sum to 0
    assert refusal({"bleed": {"matrix": matrix(0.9999)}}).startswith("bleed.matrix is singular")


def test_a_bleed_matrix_has_ones_on_the_diagonal_and_less_beside_it() -> None:
    weak, strong = matrix(0.1), matrix(0.1)
    weak[2][2], strong[1][3] = 0.9, -1.0
    assert refusal({"bleed": {"matrix": weak}}) == "bleed.matrix[2][2] is 0.9; accepted: 1 on the diagonal"
    assert refusal({"bleed": {"matrix": strong}}).startswith("bleed.matrix[1][3] is -1.0; accepted: more than -1 and")


def test_a_bleed_matrix_is_as_large_as_there_are_strings() -> None:
    assert refusal({"bleed": {"matrix": matrix(0.1, 5)}}).startswith("bleed.matrix has 5 values; accepted: 6")
    ragged = matrix(0.1)
    ragged[4].pop()
    assert refusal({"bleed": {"matrix": ragged}}).startswith("bleed.matrix[4] has 5 values; accepted: 6")
