"""Whether a take is what a calibration needs: open strings, one after the other."""

from collections import Counter
from collections.abc import Sequence
from itertools import pairwise

import numpy as np

from thumbline.dsp.processor.notes import Note, in_order

#: Notes of one string this far from its usual one are fretted, in semitones; and so many of all may be, as a share:
#: the first moment of a pluck is sharp, and a note may be read an octave off.
SAME_NOTE, MOST_FRETTED = 0.6, 0.3
#: From one string to another the notes may go so often per string: once, and once more for a string played again.
MOST_CHANGES = 2
#: Fewer notes than this per string that sounded say nothing.
FEWEST_NOTES = 2


def not_open_strings(notes: Sequence[Note]) -> str:
    """Return why notes are not those of open strings one after the other, or "" if they are."""
    strings = Counter(note.string for note in notes)
    if len(notes) < FEWEST_NOTES * len(strings) or not strings:
        return ""
    fretted = 0
    for string in strings:
        keys = np.array([note.midi for note in notes if note.string == string])
        near = np.abs(keys[:, np.newaxis] - keys) <= SAME_NOTE
        fretted += len(keys) - int(near.sum(axis=1).max())
    if fretted > MOST_FRETTED * len(notes):
        return f"{fretted} of {len(notes)} notes are not those of open strings"
    order = [note.string for note in in_order(notes)]
    changes = sum(before != after for before, after in pairwise(order))
    if changes > MOST_CHANGES * len(strings):
        return f"the notes go {changes} times from one string to another"
    return ""
