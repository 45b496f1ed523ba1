"""The bass of recorded takes beside sampled basses that play the same line (`tests.material.sampled_bass`)."""

import numpy as np
import pytest

from tests.helpers.places import RECORDINGS
from tests.material.sampled_bass import FINGERED, PICKED, is_there, played, small_speaker_lu, third_octaves_db
from thumbline.dsp.api.split import split
from thumbline.dsp.api.take import read_take
from thumbline.dsp.rig.model import Rig

pytestmark = [
    pytest.mark.skipif(RECORDINGS is None, reason="THUMBLINE_RECORDINGS does not name the folder of recordings"),
    pytest.mark.skipif(not is_there(), reason="needs fluidsynth and the sound font FluidR3 GM"),
]
#: Of two guitars; all ten takes: ``python -m tests.benchmarks.character_fit``.
TAKES = ("jazz_comp", "archtop_comp")


def test_third_octaves_lie_within_6_db_of_the_mean_of_a_fingered_and_a_picked_bass() -> None:
    differences = []
    for take in TAKES:
        frames, rate = read_take(f"{RECORDINGS}/takes/{take}.flac")
        found = split(frames, rate, Rig().changed({"bass.character": "fingered"}))
        wanted = [third_octaves_db(played(found.bass_rows, program, rate), rate) for program in (FINGERED, PICKED)]
        differences.append(third_octaves_db(found.bass, rate) - np.mean(wanted, axis=0))
    assert np.count_nonzero(np.abs(differences) > 6.0) <= 2  # of 38; 13 with the raw voice
    assert np.abs(differences).max() < 8.0


def test_on_a_small_speaker_it_is_heard_about_as_well_as_sampled_basses() -> None:
    """Those are farther below the guitar than 3 LU themselves: no bass with their third octaves is nearer to it."""
    for take in TAKES:
        frames, rate = read_take(f"{RECORDINGS}/takes/{take}.flac")
        found = split(frames, rate, Rig().changed({"bass.character": "fingered"}))
        guitar, ours = (small_speaker_lu(sound, rate) for sound in (found.guitar, found.bass))
        sampled = [small_speaker_lu(played(found.bass_rows, program, rate), rate) for program in (FINGERED, PICKED)]
        assert max(sampled) < guitar - 3.0  # measured: 5.5 and 8.2, 10.3 and 14.3 LU below
        assert abs(ours - np.mean(sampled)) < 5.0  # measured: -4.1 and 1.9
