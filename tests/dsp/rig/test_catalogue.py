"""The table of settings and its explanations."""

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.catalogue import all_sections, all_settings, suggestion, toml_like
from thumbline.dsp.rig.file import describe
from thumbline.dsp.rig.model import Foot, MuteModule, Rig


def test_every_setting_of_the_rig_is_in_the_table_and_explained() -> None:
    expected: list[str] = []
    for name in Rig.model_fields:
        if name == "feet":
            expected += ["feet", *(f"feet.{field}" for field in Foot.model_fields)]
            continue
        expected += [f"{name}.{field}" for field in type(getattr(Rig(), name)).model_fields]
        if name == "mutes":
            expected += [f"mutes.modules.{field}" for field in MuteModule.model_fields]
    assert list(all_settings()) == expected
    for setting in all_settings().values():
        assert setting.meaning.endswith((".", ")")), setting.key
        assert setting.accepted, setting.key
    assert all(all_sections().values())


def test_a_setting_is_explained_with_its_meaning_what_is_accepted_and_the_default() -> None:
    assert describe("instrument.a4_hz").splitlines() == [
        "instrument.a4_hz",
        "  The frequency of A4 you tune to. 440 is standard pitch (ISO 16).",
        "  Accepted: 400 to 480",
        "  Default: 440.0",
    ]


@pytest.mark.parametrize(
    ("key", "accepted"),
    [
        ("detect.on_db", '"auto" or one per string: -160 to 0'),
        ("input.mains_hz", '"auto" or "off" or 45 to 65'),
        ("bass.interval", "a whole number, -24 to 0"),
        ("guitar.stereo", "true or false"),
        ("choice.strings", '"all" or a list without repeats: a string number, from 1'),
        (
            "bleed.matrix",
            '"auto" or "off" or a row per string, 1 on the diagonal: a number per string: -1 to 1',
        ),
    ],
)
def test_what_is_accepted_is_read_from_the_type(key: str, accepted: str) -> None:
    assert all_settings()[key].accepted == accepted


def test_a_setting_of_a_module_is_explained_with_and_without_an_index() -> None:
    assert describe("mutes.modules[1].channel") == describe("mutes.modules.channel")
    assert "1 to 16" in describe("mutes.modules[].channel")


def test_a_section_is_explained_with_what_it_holds() -> None:
    text = describe("choice")
    assert "Which of the sounding strings is the bass." in text
    for key, setting in all_settings().items():
        if key.startswith("choice."):
            assert f"\n{key}\n  {setting.meaning}\n  Accepted: {setting.accepted}\n  Default: " in text
    feet = describe("feet")
    assert "a list of up to 64" in feet
    assert "\nfeet.action\n" in feet
    modules = describe("mutes.modules")
    assert "a list of up to 16" in modules
    assert "\nmutes.modules.controllers\n" in modules


@pytest.mark.parametrize("key", ["", "detect.on", "[0]", "mutes.modules[0].chan", "nothing.at.all"])
def test_an_unknown_setting_is_not_explained_but_a_near_or_accepted_one_named(key: str) -> None:
    with pytest.raises(InputError, match=r"is not a setting; (did you mean|accepted: )"):
        describe(key)


@pytest.mark.parametrize(
    ("key", "meant"),
    [
        ("on_db", "detect.on_db"),
        ("detekt", "detect"),
        ("detekt.off_db", "detect.off_db"),
        ("string", "instrument.strings"),
        ("guitar.string", "guitar.strings"),
        ("modules", "mutes.modules"),
        ("bass.tone", "bass.tone_hz"),
        ("feets", "feet"),
        ("feet.actions", "feet.action"),
        ("midi.footport", "midi.foot_port"),
    ],
)
def test_the_nearest_key_is_suggested_first_of_all_from_the_same_section(key: str, meant: str) -> None:
    assert suggestion(key) == f"did you mean {meant}?"


def test_without_a_near_key_those_of_the_section_are_listed() -> None:
    assert suggestion("output.zzz") == "accepted: output.ceiling_db"
    assert suggestion("zzz").startswith("accepted: instrument, input, detect")


def test_a_value_of_thousands_of_digits_is_not_shown() -> None:
    assert toml_like(10**5000) == "larger than can be shown"
