"""What a guitarist reads when a rig is refused."""

from collections.abc import Mapping

import pytest

from tests.helpers.refused_rigs import refusal

SEVEN_STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]


@pytest.mark.parametrize(
    ("table", "message"),
    [
        (
            {"mutes": {"modules": [{"controllers": [102, 103, 123, 105, 106, 107]}]}},
            "mutes.modules[0].controllers[2] is 123; accepted: a whole number, 0 to 119 "
            "(120 to 127 are channel mode messages of MIDI 1.0)",
        ),
        (
            {"instrument": {"strings": ["E4"]}},
            'instrument.strings is ["E4"]; accepted: a list of 4 to 10: a note name',
        ),
        ({"instrument": {"strings": ["E4"] * 11}}, "instrument.strings is "),
        ({"instrument": {"strings": "E4 B3"}}, 'instrument.strings is "E4 B3"; accepted: a list of 4 to 10'),
        (
            {"instrument": {"strings": ["E4", "H3", "G3", "D3"]}},
            'instrument.strings[1] is "H3"; accepted: a note name',
        ),
        (
            {"instrument": {"strings": ["E4", "B3", "G3", 40]}},
            "instrument.strings[3] is 40; accepted: a note name",
        ),
        (
            {"instrument": {"strings": ["E4", "B3", "G3", "G0"]}},
            'instrument.strings[3] is "G0"; accepted: a note name',
        ),
        ({"instrument": 6}, "instrument is 6; accepted: a table of settings"),
        (
            {"mutes": {"modules": {"name": "x"}}},
            'mutes.modules is {"name": "x"}; accepted: a list of up to 16',
        ),
        ({"mutes": {"modules": [1]}}, "mutes.modules[0] is 1; accepted: a table of settings"),
        (
            {"mutes": {"modules": [{"name": "a\nb"}]}},
            'mutes.modules[0].name is "a\\nb"; accepted: a name of 1 to 60',
        ),
        ({"guitar": {"stereo": 1}}, "guitar.stereo is 1; accepted: true or false"),
        (
            {"input": {"channels": [0, 1, 2, 3, 4, 5]}},
            "input.channels[0] is 0; accepted: a whole number, 1 to 256",
        ),
        ({"bleed": {"matrix": [[1.0, "x"]]}}, 'bleed.matrix[0][1] is "x"; accepted: -1 to 1'),
    ],
)
def test_a_refusal_names_the_key_the_value_and_what_is_accepted(table: Mapping[str, object], message: str) -> None:
    assert refusal(table).startswith(message)


@pytest.mark.parametrize(
    ("table", "message"),
    [
        ({"detect": {"on_dbs": 1}}, "detect.on_dbs is not a setting; did you mean detect.on_db?"),
        ({"on_db": -30}, "on_db is not a setting; did you mean detect.on_db?"),
        ({"detekt": {}}, "detekt is not a setting; did you mean detect?"),
        ({"choice": {"a4_hz": 441}}, "choice.a4_hz is not a setting; did you mean instrument.a4_hz?"),
        (
            {"mutes": {"modules": [{}, {"chanel": 2}]}},
            "mutes.modules[1].chanel is not a setting; did you mean mutes.modules.channel?",
        ),
        ({"output": {"zzz\n": 1}}, 'output."zzz\\n" is not a setting; accepted: output.ceiling_db'),
    ],
)
def test_an_unknown_key_is_refused_with_the_nearest_known_one(table: Mapping[str, object], message: str) -> None:
    assert refusal(table) == message


def test_several_faults_are_told_in_one_line_and_the_rest_counted() -> None:
    message = refusal({"instrument": {"capo": 99, "frets": 0, "a4_hz": 1}, "bass": {"voice": "tuba"}})
    assert message.startswith("instrument.a4_hz is 1; accepted: 400 to 480; also instrument.capo is 99; ")
    assert message.endswith("; and 2 more")


def test_lists_too_short_for_new_strings_are_all_named() -> None:
    message = refusal(
        {"instrument": {"strings": SEVEN_STRINGS}, "guitar": {"pan": [0] * 6}, "input": {"trim_db": [0] * 6}}
    )
    assert "input.trim_db has 6 values; accepted: 7" in message
    assert "guitar.pan has 6 values; accepted: 7" in message
