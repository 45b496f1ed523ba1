"""The bass line as one would write it down: what only passes is left out.

The bass that is heard follows the lowest string at once, as it must on stage. When a chord is strummed from the high
strings down, each string is the bass until the next lower one sounds; and where a bass note ends a moment before the
rest of a chord, the rest is the bass for that moment. Nobody would write these down. With the whole take at hand a
line can wait and see:

- a stretch that is over within ``PASSING_S`` because a lower string took the bass has passed;
- so has one as short that did not begin with its note;
- two stretches of one note with no more than that between them are one.

A note that was plucked, stopped at once and left the bass to a higher string is a short note, and stays. No attack
moves: a note that stays begins where it began.
"""

from bisect import bisect_left
from collections.abc import Sequence
from dataclasses import dataclass, replace

from thumbline.dsp.processor.notes import Note

#: A stretch of the bass that lasts less may pass, s. A bass note as short as this is asked of no program
#: (`true_bass.SHORTEST_SURE_S`).
PASSING_S = 0.05
#: A lower string took the bass if it did so within this time, s.
AT_ONCE_S = 0.012
#: A stretch begins with its note if it begins this near to it, s.
WITH_NOTE_S = 0.003


@dataclass(frozen=True)
class SettledLine:
    """A bass line without what passes."""

    notes: tuple[Note, ...]  #: in order of time
    passing: tuple[Note, ...]  #: what was left out


def settled_line(bassline: Sequence[Note], notes: Sequence[Note]) -> SettledLine:
    """Return ``bassline`` as one would write it down; ``notes`` are those of all strings, whole."""
    onsets: dict[int, list[float]] = {}
    for note in sorted(notes, key=lambda note: note.onset_s):
        onsets.setdefault(note.string, []).append(note.onset_s)
    kept: list[Note] = []
    passing: list[Note] = []
    for i, row in enumerate(bassline):
        if kept and _is_same_note(kept[-1], row) and row.onset_s - kept[-1].offset_s < PASSING_S:
            kept[-1] = replace(kept[-1], offset_s=row.offset_s)
            continue
        after = bassline[i + 1] if i + 1 < len(bassline) else None
        sinks = after is not None and after.string > row.string and after.onset_s - row.offset_s <= AT_ONCE_S
        if row.offset_s - row.onset_s < PASSING_S and (sinks or not _begins(row, onsets.get(row.string, []))):
            passing.append(row)
        else:
            kept.append(row)
    return SettledLine(tuple(kept), tuple(passing))


def _is_same_note(one: Note, other: Note) -> bool:
    """Whether two stretches are of one note: their tables differ in nothing but time."""
    return replace(one, onset_s=0.0, offset_s=0.0) == replace(other, onset_s=0.0, offset_s=0.0)


def _begins(row: Note, onsets: Sequence[float]) -> bool:
    at = bisect_left(onsets, row.onset_s - WITH_NOTE_S)
    return at < len(onsets) and onsets[at] <= row.onset_s + WITH_NOTE_S
