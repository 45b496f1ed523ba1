"""What the bass truly was, and when a program can fairly be asked for it.

*The true bass* at a time is the note on the lowest string that sounds; of two on one string, the later. How long a note
sounds is a matter of taste once it fades, so there are two truths: notes last until they have fallen by 26 dB, or by
42 dB. Where the two name different strings, either is right and nothing is asked. Nor is anything asked within
``GUARD_S`` of a moment at which the true bass (by 42 dB) changes.
"""

import heapq
from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Literal, Protocol

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.scoring.truth import TrueNote

STEP_S = 0.005  #: time between two moments at which the bass is asked for
GUARD_S = 0.03
#: A true stretch of the bass that is shorter (a strum passing) need not be found.
SHORTEST_SURE_S = 0.05
#: Shorter stretches of either side are where two datings meet.
SHORTEST_S = 0.001
#: What follows the last note is asked for this long.
AFTER_S = 0.3


class Spanned(Protocol):
    """A note, or a stretch of the bass, that was found."""

    @property
    def onset_s(self) -> float:
        """Seconds from the first frame."""
        ...

    @property
    def offset_s(self) -> float:
        """Seconds from the first frame."""
        ...

    @property
    def string(self) -> int:
        """1 is the highest."""
        ...

    @property
    def midi(self) -> float:
        """Fractional key number, 69 = A4."""
        ...


@dataclass(frozen=True)
class Stretch:
    """A note while it is the bass."""

    onset_s: float
    offset_s: float
    string: int
    midi: float
    plucked: bool  #: it begins with its note, not because a lower one ended
    sure: bool  #: a program must find it: it is not short, and its beginning is not a matter of taste


class TrueBass:
    """The true bass of a take, and the questions about it."""

    def __init__(self, notes: Sequence[TrueNote]) -> None:
        self.notes = tuple(notes)
        self.end_s = max((note.offset_s for note in self.notes), default=0.0) + AFTER_S
        late = tuple(self._stretches("faded_s"))
        #: Of the later truth, in order of time.
        self.stretches = tuple(each for each in late if each.offset_s - each.onset_s > SHORTEST_S)
        self.times_s: NDArray[np.float64] = np.arange(0.0, self.end_s, STEP_S)
        #: The string of the later truth at each time, 0 for none.
        self.string = string_at(late, self.times_s)
        #: Where a fading note leaves it open which string is right.
        self.open = self.string != string_at(self._stretches("fades_s"), self.times_s)
        self.asked = ~self.open & ~self._near_changes()

    @cached_property
    def _widely_open(self) -> NDArray[np.bool_]:
        """Within ``GUARD_S`` of an open moment."""
        reach = round(GUARD_S / STEP_S)
        passed = np.concatenate([[0], np.cumsum(self.open)])
        moments = np.arange(len(self.open))
        return passed[np.minimum(moments + reach + 1, len(self.open))] > passed[np.maximum(moments - reach, 0)]

    def excuses(self, time_s: float) -> bool:
        """Whether a spurious note at ``time_s`` is forgiven because the truth is ambiguous there."""
        return bool(self._widely_open[min(max(int(time_s / STEP_S), 0), len(self.times_s) - 1)])

    def found(self, bassline: Iterable[Spanned]) -> NDArray[np.int_]:
        """Return the string that the rows of a bass line have at each of ``times_s``, 0 for none."""
        return string_at([row for row in bassline if row.offset_s - row.onset_s > SHORTEST_S], self.times_s)

    def _near_changes(self) -> NDArray[np.bool_]:
        changes = 1 + np.flatnonzero(np.diff(self.string))
        reach = np.arange(-round(GUARD_S / STEP_S) - 1, round(GUARD_S / STEP_S) + 2)
        moments = np.clip(changes[:, np.newaxis] + reach, 0, len(self.times_s) - 1)
        distant_s = np.abs(self.times_s[moments] - self.times_s[changes][:, np.newaxis])
        near = np.zeros(len(self.times_s), np.bool_)
        near[moments[distant_s <= GUARD_S]] = True
        return near

    def _stretches(self, ends: Literal["fades_s", "faded_s"]) -> Iterator[Stretch]:
        """Yield the stretches in which one note is the bass, however short, if notes last until ``ends``."""
        begins = {note.onset_s for note in self.notes}
        begins |= {note.offset_s for note in self.notes if note.fades_s == note.offset_s}  # stopped, not faded
        waiting = sorted(self.notes, key=lambda note: note.onset_s)[::-1]
        edges = sorted({time for note in self.notes for time in (note.onset_s, getattr(note, ends))})
        sounding: list[tuple[int, float, int, TrueNote]] = []
        bass: TrueNote | None = None
        since_s = 0.0
        for edge in edges:
            while waiting and waiting[-1].onset_s <= edge:
                note = waiting.pop()
                heapq.heappush(sounding, (-note.string, -note.onset_s, -len(waiting), note))
            while sounding and getattr(sounding[0][3], ends) <= edge:
                heapq.heappop(sounding)
            lowest = sounding[0][3] if sounding else None
            if lowest is bass:
                continue
            if bass is not None:
                sure = edge - since_s >= SHORTEST_SURE_S and since_s in begins
                yield Stretch(since_s, edge, bass.string, bass.midi, since_s == bass.onset_s, sure)
            bass, since_s = lowest, edge


class HeardBass(TrueBass):
    """What a rig decided about a take, in the place of the truth: its notes and its own bass line, right by itself."""

    def __init__(self, notes: Sequence[TrueNote], bassline: Iterable[Spanned]) -> None:
        super().__init__(notes)
        self.string = string_at(bassline, self.times_s)
        self.open = np.zeros(len(self.times_s), np.bool_)
        self.asked = ~self._near_changes()


def string_at(spans: Iterable[Spanned], times_s: NDArray[np.float64]) -> NDArray[np.int_]:
    """Return the string of the span at each of the rising times, 0 for none; later spans lie over earlier ones."""
    strings = np.zeros(len(times_s), np.int_)
    for span in spans:
        first, last = np.searchsorted(times_s, (span.onset_s, span.offset_s))
        strings[first:last] = span.string
    return strings
