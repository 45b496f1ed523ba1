"""Where the rows of the overview lie, and where a moment and a note lie in them."""

import math
from collections.abc import Sequence
from dataclasses import dataclass

from thumbline.dsp.processor.notes import Note

#: Where the lanes begin and end, in pixels.
LEFT = 120
RIGHT = 1568
#: Length of a row, in seconds ...
ROW_S = 30.0
#: ... until there are more rows than this.
MOST_ROWS = 8
#: A longer row, in seconds, shows each string's share of the time instead of its notes ...
LONGEST_ROW_WITH_NOTES_S = 60.0
#: ... and so does one with more bass notes.
MOST_BASS_NOTES_PER_ROW = 300
#: Heights, in pixels: between lanes and strip, of the header, between lanes, of the times below a row.
STRIP_GAP = 10
_HEADER = 96
_GAP = 2
_AXIS = 44


@dataclass(frozen=True)
class Row:
    """A stretch of the take and where it lies, in pixels from the top left corner."""

    start_s: float
    end_s: float
    span_s: float  # from LEFT to RIGHT; the last row may end before
    top: float
    strings: int
    lane_px: float
    strip_px: float  # height of the bass line below the lanes
    shows_notes: bool

    @property
    def px_per_s(self) -> float:
        """Pixels per second."""
        return (RIGHT - LEFT) / self.span_s

    @property
    def bass_px(self) -> float:
        """Height of a bar of the bass."""
        return min(26.0, self.lane_px - 4)

    @property
    def guitar_px(self) -> float:
        """Height of a bar of the guitar."""
        return round(0.75 * self.bass_px)

    @property
    def strip_top(self) -> float:
        """Top of the bass line below the lanes."""
        return self.lane_top(self.strings + 1) - _GAP + STRIP_GAP

    @property
    def bottom(self) -> float:
        """Bottom of the row with its times."""
        return self.strip_top + self.strip_px + _AXIS

    def lane_top(self, string: int) -> float:
        """Return the top of a string's lane."""
        return self.top + (string - 1) * (self.lane_px + _GAP)

    def x(self, time_s: float) -> float:
        """Return where ``time_s`` lies, or the end of the row that is nearer to it."""
        return LEFT + (min(max(time_s, self.start_s), self.end_s) - self.start_s) * self.px_per_s

    def y(self, note: Note) -> float:
        """Return the middle of the note's bar: higher frets lie a little higher in the lane."""
        room = self.lane_px - self.bass_px - 4
        return self.lane_top(note.string) + self.lane_px / 2 + room * (0.5 - min(note.fret, 16) / 16)

    def of(self, notes: Sequence[Note]) -> list[Note]:
        """Return the notes that sound in this row."""
        return [note for note in notes if note.onset_s < self.end_s and note.offset_s > self.start_s]


def rows_of(seconds: float, strings: int, bass_notes: int) -> list[Row]:
    """Return the rows of a take of ``seconds``, from the top."""
    count = min(max(math.ceil(seconds / ROW_S), 1), MOST_ROWS)
    span_s = max(seconds, 1.0) if count == 1 else float(math.ceil(seconds / count))
    shows_notes = span_s <= LONGEST_ROW_WITH_NOTES_S and bass_notes <= count * MOST_BASS_NOTES_PER_ROW
    lane_px = min(max((540 + 70 * (count - 1)) // (count * strings), 15), 80)
    strip_px = 130 if count == 1 else 72 if shows_notes else 48
    rows: list[Row] = []
    for start_s in (index * span_s for index in range(count)):
        top, end_s = rows[-1].bottom if rows else _HEADER, min(start_s + span_s, seconds)
        rows.append(Row(start_s, end_s, span_s, top, strings, lane_px, strip_px, shows_notes))
    return rows
