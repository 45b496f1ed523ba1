"""The bass line in the tables against the mutes of the same run, on recorded notes with the timing of performances.

The recordings lie in the folder that the environment variable ``THUMBLINE_RECORDINGS`` names (see its own README for
sources and licences); without it these checks are skipped.
"""

from pathlib import Path

import numpy as np
import pytest

from tests.helpers.places import needs_recordings, recorded
from tests.material.recorded_takes import decided
from thumbline.dsp.processor.notes import Note

TAKES = sorted(path for path in recorded("takes").glob("*.flac") if "open" not in path.name)
pytestmark = needs_recordings

#: Times are compared in steps of a millisecond.
STEPS_A_SECOND = 1000
#: A stop is known within this time, in ms.
STOP_KNOWN_MS = 20
#: A note is let go within this time of being touched; a strum reaches the next string within this time, in seconds.
TOUCH_S, STRUM_S = 0.03, 0.01


def sounding(notes: list[Note], steps: int) -> np.ndarray:
    """Whether each string (row 0: none) sounds a note at each step."""
    sounds = np.zeros((7, steps), bool)
    for note in notes:
        sounds[note.string, round(note.onset_s * STEPS_A_SECOND) : round(note.offset_s * STEPS_A_SECOND)] = True
    return sounds


def longest_run(true: np.ndarray) -> int:
    edges = np.flatnonzero(np.diff(np.r_[0, true.astype(int), 0]))
    return int((edges[1::2] - edges[::2]).max(initial=0))


@pytest.mark.parametrize("take", TAKES, ids=lambda take: take.stem)
def test_no_row_cuts_off_a_lower_string_that_the_mutes_left_open(take: Path) -> None:
    transcript, seconds = decided(take.stem)
    steps = round(seconds * STEPS_A_SECOND)
    sounds = sounding(transcript.notes, steps)
    open_string, line = np.zeros(steps, int), np.zeros(steps, int)
    for time_s, strings in transcript.open_sets():
        if len(strings) == 1:
            open_string[round(time_s * STEPS_A_SECOND) :] = max(strings)
    for row in transcript.bassline(seconds):
        line[round(row.onset_s * STEPS_A_SECOND) : round(row.offset_s * STEPS_A_SECOND)] = row.string
    assert line.any()
    heard_a_note = sounds[open_string, np.arange(steps)]
    assert longest_run(heard_a_note & (line < open_string)) <= STOP_KNOWN_MS


@pytest.mark.parametrize("take", TAKES, ids=lambda take: take.stem)
def test_a_row_of_a_plucked_note_begins_where_the_note_does(take: Path) -> None:
    """A row begins later only where another string, which the rule prefers, had the bass until then.

    A pluck is found when the pick touches the string, its note is dated at the release. Where a strum passes, a lower
    string may be touched before the one above it is let go.
    """
    transcript, seconds = decided(take.stem)
    begun = {(row.string, row.onset_s) for row in transcript.bassline(seconds)}
    plucked = {
        (note.string, note.onset_s)
        for each in transcript.handovers
        for note in transcript.notes
        if each.plucked and note.string == each.string and 0.0 <= note.onset_s - each.time_s <= TOUCH_S
    }
    for string, onset_s in sorted(plucked - begun):
        lower = [note for note in transcript.notes if note.string > string]
        assert any(note.onset_s <= onset_s + STRUM_S and note.offset_s > onset_s for note in lower), (string, onset_s)
    assert len(plucked & begun) > 0.7 * len(plucked)
