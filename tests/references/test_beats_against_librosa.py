"""The estimated beat beside ``librosa.beat.beat_track``, on the 24 performances of `tests.material.recorded_timing`.

librosa, with its usual settings, hears one channel in which each note is a decaying tone of six partials that begins
with its onset: what its tracker (D. P. W. Ellis, "Beat Tracking by Dynamic Programming", J. New Music Research 36,
2007) is made for. Ours reads the onsets themselves. Both are judged by ``mir_eval.beat`` (C. Raffel et al., ISMIR 2014)
against the metronome that was played to. The weights of ours were fitted to these performances among others: how they
do when they are left out stands in ``dsp/beats/DESIGN.md``.
"""

import os
from functools import cache

import librosa
import mir_eval
import numpy as np
import pytest
from numpy.typing import NDArray

from tests.material.begun_later import begun_later
from tests.material.performances import Performance
from tests.material.recorded_timing import recorded
from tests.references.figures import agrees
from thumbline.dsp.beats.tempo import estimate_beats

FOLDER = os.environ.get("THUMBLINE_RECORDINGS")
pytestmark = pytest.mark.skipif(not FOLDER, reason="THUMBLINE_RECORDINGS names no folder with recordings")
RATE = 22_050
#: Partials of a note, and the time in which it falls to a third, s.
PARTIALS, DECAY_S = 6, 0.35
#: Where a performance begins in its take, s: at the first frame, as it was cut to its metronome, and later.
BEGINNINGS_S = (0.0, 0.37)
#: Beats this near to the metronome's are close, s.
CLOSE_S = 0.025
Shares = dict[str, float]


def sound(performance: Performance) -> NDArray[np.float32]:
    """One channel, each note a decaying tone."""
    out = np.zeros(round((performance.end_s + 1.0) * RATE), np.float32)
    for note in performance.notes:
        first = round(note.onset_s * RATE)
        time_s = np.arange(round((note.offset_s - note.onset_s) * RATE)) / RATE
        hz = 440.0 * 2.0 ** ((note.midi - 69.0) / 12.0)
        tone = sum(np.sin(2.0 * np.pi * hz * k * time_s) / k for k in range(1, PARTIALS + 1))
        out[first : first + len(time_s)] += np.float32(0.1) * tone * np.exp(-time_s / DECAY_S)
    return out


def judged(performance: Performance, times_s: NDArray[np.float64], bpm: float) -> Shares:
    """How good beats are from half a beat before the first note to the end of the last."""
    beat_s = float(np.median(np.diff(performance.beats_s)))
    first_s = performance.notes[0].onset_s - 0.5 * beat_s
    meant = performance.beats_s[(performance.beats_s >= first_s) & (performance.beats_s <= performance.end_s)]
    found = times_s[(times_s >= meant[0] - 0.07) & (times_s <= meant[-1] + 0.07)]
    pace = bpm * beat_s / 60.0
    return {
        "tempo": float(any(abs(pace / times - 1.0) < 0.01 for times in (0.5, 1.0, 2.0))),
        "octave": float(abs(pace - 1.0) < 0.01),
        "within_25_ms": float(np.mean(np.abs(found[:, np.newaxis] - meant).min(axis=0, initial=1.0) < CLOSE_S)),
        "f_70_ms": mir_eval.beat.f_measure(meant, found),
    }


@cache
def shares(tracker: str, begun_s: float) -> Shares:
    """Means over the performances."""
    rows = []
    for each in (begun_later(performance, begun_s) for performance in recorded(FOLDER or "")):
        if tracker == "librosa":
            _, times_s = librosa.beat.beat_track(y=sound(each), sr=RATE, units="time")
            bpm = 60.0 / float(np.mean(np.diff(times_s)))  # its tempo comes in steps of several percent
        else:
            found = estimate_beats(each.notes, each.bassline, each.end_s, each.beats_per_bar, None)
            times_s, bpm = found.times_s, found.bpm
        rows.append(judged(each, times_s, bpm))
    assert len(rows) == 24
    return {name: float(np.mean([row[name] for row in rows])) for name in rows[0]}


@pytest.mark.parametrize("begun_s", BEGINNINGS_S)
@pytest.mark.parametrize("name", ["tempo", "octave", "within_25_ms", "f_70_ms"])
def test_it_is_right_more_often_than_librosa(name: str, begun_s: float) -> None:
    ours, theirs = shares("thumbline", begun_s)[name], shares("librosa", begun_s)[name]
    when = "cut" if begun_s == 0.0 else "later"
    agrees(f"beats.{when}.{name}", ours, 2)
    agrees(f"beats.{when}.librosa.{name}", theirs, 2)
    assert ours > theirs + 0.1
