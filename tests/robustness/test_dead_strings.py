"""A cable that is out while the rig, calibrated before, says how much of the neighbours it picks up."""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from thumbline.dsp.results.folder import read_result
from thumbline.dsp.results.render import render_take
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.scoring.truth import load_truth

#: A note is found if it begins so near to its true beginning: the default of mir_eval.onset, in seconds.
ONSET_S = 0.05
#: What its input still has of its own, in dBFS: nothing, or noise.
NOISE = {1: None, 2: -90.0, 3: None, 4: -75.0, 5: -90.0, 6: None}


@pytest.mark.parametrize("dead", range(1, 7))
def test_a_dead_string_gets_no_notes_of_its_neighbours_and_is_named(tmp_path: Path, dead: int) -> None:
    sound, rate = soundfile.read(DATA / "demo.flac")
    noise_db = NOISE[dead]
    noise = 0.0 if noise_db is None else 10.0 ** (noise_db / 20.0)
    sound[:, dead - 1] = np.random.default_rng(1).normal(0.0, 1.0, len(sound)) * noise
    soundfile.write(tmp_path / "pier.flac", sound, rate, "PCM_24")
    rig = load_rig(DATA / "demo.toml")
    rendered = render_take(tmp_path / "pier.flac", tmp_path / "out", rig)
    assert rendered.summary["strings_without_notes"] == [dead]
    found = [(note.string, note.onset_s) for note in read_result(rendered.folder).notes]
    played = [(note.string, note.onset_s) for note in load_truth(DATA / "demo.json", rig) if note.string != dead]
    for string, onset_s in played:
        assert any(each == string and abs(at_s - onset_s) < ONSET_S for each, at_s in found), (string, onset_s)
    # What others pick up of the dead string cannot be taken away, since nobody hears it; no more than its own notes.
    own = [note for note in load_truth(DATA / "demo.json", rig) if note.string == dead]
    assert len(found) - len(played) <= len(own)
