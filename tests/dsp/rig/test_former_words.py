"""Rigs in former words are read as those of today; no word of today is a former one."""

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.foot_controller import ACTIONS
from thumbline.dsp.rig.catalogue import all_settings, describe
from thumbline.dsp.rig.file import rig_from_dict, rig_text
from thumbline.dsp.rig.former_words import KEYS, VALUES

FORMER = {
    "choice": {"hold_ms": 40.0, "silence": "close all"},
    "guitar": {"strings": "rest"},
    "mutes": {"order": "open first", "modules": [{"open_value": 9, "closed_value": 3}]},
    "feet": [{"action": "setting", "number": 7, "steps": [2]}, {"action": "all open"}],
}


def test_a_rig_in_former_words_is_the_same_rig() -> None:
    rig = rig_from_dict(FORMER)
    assert (rig.choice.shortest_ms, rig.choice.silence, rig.guitar.strings) == (40.0, "mute all", "others")
    assert (rig.mutes.order, rig.mutes.modules[0].unmuted_value, rig.mutes.modules[0].muted_value) == (
        "unmute first",
        9,
        3,
    )
    assert [foot.action for foot in rig.feet] == ["song", "unmute all"]


def test_every_former_word_has_one_of_today_and_is_written_nowhere() -> None:
    known = all_settings()
    text = rig_text(rig_from_dict(FORMER))
    for section, names in KEYS.items():
        for former, todays in names.items():
            assert f"{section}.{todays}" in known
            assert f"{section}.{former}" not in known
            assert f"{former} =" not in text
            assert describe(f"{section}.{former}") == describe(f"{section}.{todays}")
    for key, words in VALUES.items():
        for former, todays in words.items():
            assert f'"{todays}"' in known[key].accepted
            assert f'"{former}"' not in known[key].accepted
    assert not set(VALUES["feet.action"]) & set(ACTIONS)


@pytest.mark.parametrize(
    ("section", "table", "name"),
    [
        ("choice", {"hold_ms": 1.0, "shortest_ms": 2.0}, "choice.hold_ms"),
        ("mutes", {"modules": [{"open_value": 1, "unmuted_value": 2}]}, r"mutes.modules\[0\].open_value"),
    ],
)
def test_a_former_key_beside_its_name_of_today_is_refused(section: str, table: dict[str, object], name: str) -> None:
    with pytest.raises(InputError, match=f"{name} is not a setting"):
        rig_from_dict({section: table})
