"""Settings that are good alone but do not fit together."""

from collections.abc import Mapping

import numpy as np
import pytest

from tests.dsp.refused_rigs import refusal
from thumbline.dsp.rig_file import rig_from_dict


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
            {"mutes": {"modules": [{"open_value": 127}]}},
            "mutes.modules[0].closed_value is 127, as is mutes.modules[0].open_value; accepted: two",
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
    ],
)
def test_settings_that_contradict_each_other_are_refused(table: Mapping[str, object], message: str) -> None:
    assert refusal(table).startswith(message)


def test_the_same_controllers_on_another_channel_are_no_contradiction() -> None:
    assert len(rig_from_dict({"mutes": {"modules": [{}, {"channel": 2}]}}).mutes.modules) == 2


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
