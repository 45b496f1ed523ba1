"""The rig: what is completed, what can be read from it, and that it never changes."""

import math
import subprocess
import sys
from typing import Any

import numpy as np
import pytest
from pydantic import ValidationError

from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import rig_from_dict
from thumbline.dsp.rig.model import Choice, Input, Instrument, MuteModule, Mutes, Rig

SEVEN_STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]


def test_an_empty_rig_is_a_six_string_guitar_in_standard_tuning() -> None:
    rig = rig_from_dict({})
    assert rig == Rig()
    assert rig.string_count == 6
    np.testing.assert_array_equal(rig.open_midi, [64, 59, 55, 50, 45, 40])
    assert rig.instrument.a4_hz == 440.0
    assert rig.bass_strings == (1, 2, 3, 4, 5, 6)
    assert rig.highest_bass_midi == math.inf


@pytest.mark.parametrize("count", [4, 5, 6, 7, 8, 9, 10])
def test_lists_left_out_have_one_value_per_string(count: int) -> None:
    rig = rig_from_dict({"instrument": {"strings": ["E2"] * count}, "mutes": {"modules": [{"channel": 3}]}})
    assert rig.input.channels == tuple(range(1, count + 1))
    assert rig.input.trim_db == (0.0,) * count
    assert rig.detect.tuning_cents == (0.0,) * count
    assert rig.guitar.pan == (0.0,) * count
    assert rig.mutes.modules[0].controllers == tuple(range(102, 102 + count))
    assert rig.mutes.modules[0].channel == 3


def test_the_capo_raises_the_open_strings() -> None:
    assert rig_from_dict({"instrument": {"capo": 3}}).open_midi[5] == 43.0


def test_the_strings_and_notes_that_may_be_bass_can_be_limited() -> None:
    rig = rig_from_dict({"choice": {"strings": [5, 6], "highest_note": "E3"}})
    assert rig.bass_strings == (5, 6)
    assert rig.highest_bass_midi == 52.0


def test_sections_may_be_given_as_models_and_are_completed_all_the_same() -> None:
    rig = Rig(
        instrument=Instrument(strings=tuple(SEVEN_STRINGS)),
        input=Input(mains_hz=50.0),
        mutes=Mutes(modules=(MuteModule(channel=2),)),
    )
    assert rig.input.channels == (1, 2, 3, 4, 5, 6, 7)
    assert rig.input.mains_hz == 50.0
    assert rig.mutes.modules[0].controllers == (102, 103, 104, 105, 106, 107, 108)
    assert Rig(choice=Choice(settle_ms=5.0), instrument=rig.instrument, mutes=rig.mutes).mutes == rig.mutes


def test_a_mapping_given_is_left_as_it_was() -> None:
    table: dict[str, Any] = {
        "instrument": {"strings": SEVEN_STRINGS},
        "mutes": {"modules": [{}]},
        "input": {},
    }
    rig_from_dict(table)
    assert table == {"instrument": {"strings": SEVEN_STRINGS}, "mutes": {"modules": [{}]}, "input": {}}


def test_a_rig_cannot_be_changed_and_equal_rigs_hash_alike() -> None:
    rig = Rig()
    with pytest.raises(ValidationError, match="frozen"):
        rig.choice.settle_ms = 5.0
    assert hash(rig) == hash(Rig())


def test_a_rig_without_modules_sends_no_midi() -> None:
    assert rig_from_dict({"mutes": {"modules": []}}).mutes.modules == ()


def test_importing_the_rig_does_not_import_the_heavy_libraries() -> None:
    code = (
        "import sys, thumbline.dsp.rig.model, thumbline.dsp.rig.file\n"
        "heavy = ('scipy', 'numba', 'matplotlib', 'rich', 'mido', 'soundfile')\n"
        "print([name for name in heavy if name in sys.modules])"
    )
    assert subprocess.check_output([sys.executable, "-c", code], text=True).strip() == "[]"


def test_a_changed_rig_differs_in_those_keys_alone() -> None:
    rig = rig_from_dict({"instrument": {"strings": SEVEN_STRINGS}, "bass": {"voice": "synth"}, "live": {"input": "a"}})
    changed = rig.changed({"choice.settle_ms": 7, "live": {}, "bass": Rig().bass})
    assert (changed.choice.settle_ms, changed.live, changed.bass.voice) == (7, Rig().live, "shifted")
    assert (changed.instrument, changed.mutes, changed.detect) == (rig.instrument, rig.mutes, rig.detect)
    assert rig.changed({}) == rig


@pytest.mark.parametrize(
    ("key", "value", "message"),
    [
        ("basss.voice", "synth", "here: basss is not a setting; did you mean bass?"),
        ("bass.voice", "tuba", 'here: bass.voice is "tuba"; accepted: "shifted" or "synth"'),
        ("bass", 3, "here: bass is 3; accepted: a table of settings"),
        ("feet.action", "hold", 'here: "feet.action" is not a setting'),
    ],
)
def test_a_change_that_no_rig_accepts_is_refused_by_its_key(key: str, value: object, message: str) -> None:
    with pytest.raises(InputError) as refused:
        Rig().changed({key: value}, "here")
    assert str(refused.value).startswith(message)


@pytest.mark.parametrize("data", [7, "loud", {"live": 7}, {"live": "loud"}])
def test_what_is_no_table_is_refused_not_completed(data: object) -> None:
    with pytest.raises(ValidationError):
        Rig.model_validate(data)
