"""The settled bass line of the recorded takes against their true bass: nothing is lost, and little is short.

Scored as in `tests.material.recorded_takes` (onsets and pitches by ``mir_eval.transcription``, C. Raffel et al.,
ISMIR 2014), where a true stretch of 50 ms or more must be found.
"""

from collections.abc import Sequence

import numpy as np
import pytest

from tests.helpers.places import needs_recordings, recorded
from tests.material.recorded_takes import Moments, Span
from thumbline.dsp.practice.source import read_source
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import settled_line
from thumbline.dsp.rig.model import Rig

pytestmark = needs_recordings
SHORT_S = 0.06
#: Takes, and the most of their notes that may be shorter than that: archtop_comp truly has short ones.
TAKES = {"funk_comp": 0.05, "bossa_comp": 0.05, "rock_solo": 0.05, "archtop_comp": 0.1}


def _f1(take: str, line: Sequence[Note]) -> float:
    return Moments(take).f1([Span(note.string, note.midi, note.onset_s, note.offset_s) for note in line], 0.05)


def _share_of_short(line: Sequence[Note]) -> float:
    return float(np.mean([note.offset_s - note.onset_s < SHORT_S for note in line]))


@pytest.mark.parametrize("take", TAKES)
def test_nothing_true_is_lost_and_little_is_short(take: str) -> None:
    source = read_source(recorded("takes", f"{take}.flac"), Rig(), as_heard=True)
    line = settled_line(source.bassline, source.notes)
    assert _share_of_short(source.bassline) > 0.4
    assert _share_of_short(line.notes) <= TAKES[take]
    assert _f1(take, line.notes) >= _f1(take, source.bassline)
    onsets = {note.onset_s for note in source.bassline}
    assert all(note.onset_s in onsets for note in line.notes)
