"""Bass and guitar at another pitch are as long as they were."""

from dataclasses import replace

import numpy as np
import pytest

from tests.material.voices import RATE, first_partial_hz, plucked
from thumbline.dsp.note_names import midi_to_hz
from thumbline.dsp.practice.parts import parts_at
from thumbline.dsp.practice.source import Source
from thumbline.dsp.rig.model import Rig

VOICE = plucked(57.0, [0.1], 1.0)


@pytest.mark.parametrize("transpose", [-12, -5, 7])
@pytest.mark.parametrize("cut", [0, 1])
def test_an_odd_frame_more_or_less_is_made_up_for(transpose: int, cut: int) -> None:
    """An octave down, an odd length has no half: what is resampled is a frame off."""
    voice = replace(VOICE, sound=VOICE.sound[: RATE - cut])
    source = Source("Low Tide", RATE, Rig(), voice, voice.sound[:, None], (), (), (), (), ())
    bass, guitar = parts_at(source, 100.0, transpose)
    assert (bass.shape, guitar.shape) == ((RATE - cut,), (RATE - cut, 1))
    wanted = float(midi_to_hz(57.0 + transpose))
    for sound in (bass, guitar[:, 0]):
        assert 1200 * np.log2(first_partial_hz(sound, wanted) / wanted) == pytest.approx(0.0, abs=12.0)
