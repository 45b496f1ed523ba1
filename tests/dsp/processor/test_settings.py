"""Settings of one guitar: what they must share, and that sharing memory changes no sound."""

from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO
from thumbline.dsp.errors import InputError
from thumbline.dsp.kernel.process import process
from thumbline.dsp.memory.records import OUTPUTS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters, compile_settings
from thumbline.dsp.rig.model import Rig

RATE = 48_000


def test_a_setting_sounds_as_it_does_alone_whatever_the_others_need() -> None:
    frames = soundfile.read(DEMO, frames=RATE, dtype="float64")[0]
    low = Rig.model_validate({"instrument": {"strings": ["E4", "B3", "G3", "D3", "A2", "B0"]}})
    alone = compile_parameters(Rig(), RATE)
    beside = compile_settings([("one", Rig()), ("low", low)], RATE)
    assert beside[0]["past_mask"] > alone[0]["past_mask"]
    sounds = []
    for params in (alone, beside):
        out = np.empty((len(frames), OUTPUTS))
        process(params[0], initial_state(params[:1])[0], frames, out)
        sounds.append(out)
    assert np.abs(sounds[0]).max() > 0.1
    assert sounds[0].tobytes() == sounds[1].tobytes()


@pytest.mark.parametrize(
    ("change", "named"),
    [
        ({"input": {"trim_db": [1.0, 0.0, 0.0, 0.0, 0.0, 0.0]}}, "input.trim_db"),
        ({"input": {"invert": [2]}}, "input.invert"),
        ({"input": {"channels": [2, 1, 3, 4, 5, 6]}}, "input.channels"),
        ({"input": {"mains_hz": 50.0}}, "input.mains_hz"),
        ({"bleed": {"matrix": "off"}}, "bleed.matrix"),
        ({"instrument": {"strings": ["E4", "B3", "G3", "D3", "A2", "E2", "B1"]}}, "7 strings"),
    ],
)
def test_what_belongs_to_the_guitar_must_be_the_same_in_all_settings(change: dict[str, Any], named: str) -> None:
    with pytest.raises(InputError, match=named) as error:
        compile_settings([("verse", Rig()), ("chorus", Rig.model_validate(change))], RATE)
    assert '"chorus"' in str(error.value)
    assert '"verse"' in str(error.value)
