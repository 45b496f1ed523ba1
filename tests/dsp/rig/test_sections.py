"""Each setting alone: its range, its words, and what does not pass for a number."""

import math
from typing import Any

import pytest

from tests.helpers.refused_rigs import refusal
from thumbline.dsp.rig.file import rig_from_dict
from thumbline.dsp.rig.model import Rig


def nested(key: str, value: object) -> dict[str, Any]:
    """Return the rig table that sets one key, in the first module if it is a module's."""
    section, _, name = key.rpartition(".")
    if section == "feet":
        return {"feet": [{name: value}]}
    return {"mutes": {"modules": [{name: value}]}} if section == "mutes.modules" else {section: {name: value}}


# key, lowest and highest value accepted, and a step beyond them that is refused
RANGES = [
    ("instrument.a4_hz", 400, 480, 0.01),
    ("instrument.capo", 0, 12, 1),
    ("instrument.frets", 12, 36, 1),
    ("input.mains_hz", 45, 65, 0.01),
    ("choice.proof_ms", 0, 60, 0.01),
    ("choice.settle_ms", 0, 100, 0.01),
    ("choice.shortest_ms", 0, 1000, 0.01),
    ("bass.interval", -24, 0, 1),
    ("bass.level_db", -60, 12, 0.01),
    ("bass.tone_hz", 80, 20000, 0.01),
    ("bass.dynamics", 0, 1, 0.01),
    ("bass.crossfade_ms", 1, 50, 0.01),
    ("bass.linger_ms", 0, 500, 0.01),
    ("bass.fade_ms", 20, 20000, 0.01),
    ("guitar.level_db", -60, 12, 0.01),
    ("mutes.gap_ms", 0, 100, 0.01),
    ("mutes.modules.channel", 1, 16, 1),
    ("mutes.modules.unmuted_value", 0, 126, 1),
    ("mutes.modules.muted_value", 1, 127, 1),
    ("output.ceiling_db", -24, 0, 0.01),
    ("live.sample_rate", 22050, 192000, 1),
    ("live.block_frames", 32, 2048, 1),
    ("midi.resend_s", 0, 60, 0.01),
    ("midi.bass_channel", 1, 16, 1),
    ("midi.bend_range", 2, 24, 1),
    ("feet.channel", 1, 16, 1),
]
RANGES_PER_STRING = [
    ("input.trim_db", -24, 24, 0.01),
    ("detect.floor_db", -160, 0, 0.01),
    ("detect.level_db", -160, 0, 0.01),
    ("detect.on_db", -160, 0, 0.01),
    ("detect.off_db", -160, 0, 0.01),
    ("detect.tuning_cents", -1200, 1200, 0.01),
    ("guitar.pan", -1, 1, 0.01),
]


def in_rig(rig: Rig, key: str) -> Any:
    section, _, name = key.rpartition(".")
    if section == "feet":
        return getattr(rig.feet[0], name)
    return getattr(rig.mutes.modules[0] if section == "mutes.modules" else getattr(rig, section), name)


@pytest.mark.parametrize(("key", "low", "high", "step"), RANGES)
def test_a_number_is_accepted_up_to_its_limits_and_refused_beyond(
    key: str, low: float, high: float, step: float
) -> None:
    for value in (low, high):
        assert in_rig(rig_from_dict(nested(key, value)), key) == value
    name = key.replace("modules", "modules[0]").replace("feet", "feet[0]")
    for value in (low - step, high + step):
        if key.endswith("_value") and 0 <= value <= 127:
            continue  # the other of the two values has this one
        assert refusal(nested(key, value)).startswith(f"{name} is {value}; accepted: ")


@pytest.mark.parametrize(("key", "low", "high", "step"), RANGES_PER_STRING)
def test_each_string_has_its_own_value_within_the_same_limits(key: str, low: float, high: float, step: float) -> None:
    values = [low, high, low, high, low, high]
    assert in_rig(rig_from_dict(nested(key, values)), key) == tuple(values)
    for value in (low - step, high + step):
        message = refusal(nested(key, [low, high, value, low, low, low]))
        assert message == f"{key}[2] is {value}; accepted: {low} to {high}"
    for count in (0, 1, 5, 7):
        assert refusal(nested(key, [low] * count)).startswith(f"{key} has {count} value")


NUMBERS = [key for key, *_ in RANGES]


@pytest.mark.parametrize("key", NUMBERS)
@pytest.mark.parametrize("value", [True, False, math.nan, math.inf, -math.inf, "1", [1], {"a": 1}, 10**400])
def test_only_a_finite_number_passes_for_a_number(key: str, value: object) -> None:
    assert f"{key.replace('modules', 'modules[0]').replace('feet', 'feet[0]')} is " in refusal(nested(key, value))


@pytest.mark.parametrize(
    ("key", "words"),
    [
        ("choice.rule", ["lowest string", "lowest pitch", "last plucked"]),
        ("choice.silence", ["keep", "unmute all", "mute all"]),
        ("bass.voice", ["shifted", "synth"]),
        ("bass.character", ["raw", "round", "fingered", "picked"]),
        ("guitar.strings", ["others", "all"]),
        ("mutes.order", ["unmute first", "mute first", "gap"]),
        ("input.mains_hz", ["auto", "off"]),
        ("bleed.matrix", ["auto", "off"]),
        ("choice.highest_note", ["any", "E3", "Bb2"]),
        ("detect.on_db", ["auto"]),
        ("feet.action", ["split", "hold", "unmute all", "bass level", "next song"]),
        ("feet.message", ["control change", "note", "program change"]),
    ],
)
def test_a_word_is_accepted_only_if_it_is_one_of_the_setting_s(key: str, words: list[str]) -> None:
    for word in words:
        assert in_rig(rig_from_dict(nested(key, word)), key) == word
    message = refusal(nested(key, "loud"))
    assert message.startswith(f'{key.replace("feet", "feet[0]")} is "loud"; accepted: "{words[0]}"')


@pytest.mark.parametrize("key", ["live.input", "live.output", "midi.port", "midi.foot_port"])
def test_a_device_or_port_is_a_name_in_one_line_or_nothing(key: str) -> None:
    for name in ("", "Stage box 3", "3", "Tonstudio Nürnberg"):
        assert in_rig(rig_from_dict(nested(key, name)), key) == name
    for value in ("two\nlines", " ", 3, ["a"], "x" * 201):
        assert refusal(nested(key, value)).startswith(f"{key} is ")


def test_the_outputs_of_a_stereo_guitar_are_two_and_every_output_has_a_level() -> None:
    assert Rig().live.guitar_outputs == (2,)
    assert rig_from_dict({"guitar": {"stereo": True}}).live.guitar_outputs == (2, 3)
    live = rig_from_dict({"live": {"bass_outputs": [5, 1, 6]}}).live
    assert live.bass_levels_db == (0.0, 0.0, 0.0)
    assert live.guitar_levels_db == (0.0,)
