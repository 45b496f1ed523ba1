"""The path of the bass in hindsight: each hand-over is dated by its cause as far as the rule allows.

A pluck is heard a few milliseconds before the bass passes to its string, and sometimes much longer: the pluck of a soft
note is believed late. The row of such a note begins at its pluck, so the path takes back what other strings had the
bass with meanwhile, but only where the late string would have won by the rule. A note that the rule prefers was heard
and keeps the bass until it stops. A pluck that did not prove to be a note leaves no row, so it takes nothing back and
keeps no other row from beginning at its pluck.

Times are in seconds from the first frame. Strings count from 1, the highest; 0 means none.
"""

from bisect import bisect_left
from collections import defaultdict
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace

from thumbline.dsp.processor.notes import Note
from thumbline.dsp.rig.model import Rig


@dataclass(frozen=True)
class Handover:
    """The bass passes to a string (0: to none)."""

    time_s: float  #: when what caused it happened in the string's signal
    decided_s: float  #: how far the signal had been read when it was decided
    string: int
    plucked: bool  #: whether a pluck was the cause


class BassPath:
    """Dates hand-overs.

    ``notes`` are all notes that have ended. ``found_s`` says when each pluck was found, by its string and its time in
    the signal: the rule "last plucked" goes by that.
    """

    def __init__(self, rig: Rig, notes: Sequence[Note], found_s: Mapping[tuple[int, float], float]) -> None:
        self._rule = rig.choice.rule
        self._rig = rig
        self._found_s = found_s
        self._notes: defaultdict[int, list[Note]] = defaultdict(list)
        for note in sorted(notes, key=lambda note: note.onset_s):
            self._notes[note.string].append(note)

    def of(self, handovers: Sequence[Handover]) -> list[Handover]:
        """Return those of ``handovers`` (in order of decision) that stand in hindsight, by their starts in it."""
        path: list[Handover] = []
        for handover in handovers:
            start_s = self._start(path, handover)
            if not path or path[-1].string != handover.string:
                path.append(replace(handover, time_s=start_s))
        return path

    def _start(self, path: list[Handover], handover: Handover) -> float:
        """Return where the bass passes, and take away from the end of ``path`` what began only after that."""
        start_s, until_s = handover.time_s, handover.decided_s
        note = None
        if handover.plucked:
            note = next(self._sounding(handover.string, start_s, until_s), None)
            if note is None:
                start_s = until_s
        else:
            until_s = start_s  # the cause is that the string before had lost the bass by then
        while path:
            last = path[-1]
            kept_s = self._kept_until(last, max(start_s, last.time_s), until_s, note)
            if kept_s is not None:
                return max(start_s, kept_s)
            if start_s >= last.time_s:
                break
            until_s = path.pop().time_s
        return start_s

    def _kept_until(self, reign: Handover, begin_s: float, until_s: float, rival: Note | None) -> float | None:
        """Return when the last note ends that the string of ``reign`` keeps the bass with, ``until_s`` at the latest.

        None: the rule prefers the ``rival`` to all its notes since ``begin_s``, or it sounded none. Without a rival
        nothing is preferred to a note.
        """
        for note in self._sounding(reign.string, begin_s, until_s):
            if rival is None or not self._wins(rival, note):
                return min(note.offset_s, until_s)
        return None

    def _wins(self, new: Note, old: Note) -> bool:
        """Whether the rule prefers the note ``new`` to ``old``. "lowest pitch" goes by the mean pitch of each."""
        if self._rig.choice.rest == "next string" and self._may_carry(new) != self._may_carry(old):
            return self._may_carry(new)  # another string has the bass only in a rest of those that may carry it
        if new.string == old.string or self._rule == "lowest string":
            return new.string >= old.string
        if self._rule == "lowest pitch":
            return (new.midi, -new.string) < (old.midi, -old.string)
        return (self._found(new), new.string) > (self._found(old), old.string)

    def _may_carry(self, note: Note) -> bool:
        """Whether the rig lets this note be the bass outside a rest."""
        return note.string in self._rig.bass_strings and note.midi <= self._rig.highest_bass_midi + 0.5

    def _found(self, note: Note) -> float:
        """Return when the pluck of a note was found; a note without a pluck counts as found when it began."""
        return self._found_s.get((note.string, note.onset_s), note.onset_s)

    def _sounding(self, string: int, begin_s: float, end_s: float) -> Iterator[Note]:
        """Yield the notes of ``string`` that sound between two times, the last one first."""
        notes = self._notes[string]
        for index in range(bisect_left(notes, end_s, key=lambda note: note.onset_s) - 1, -1, -1):
            if notes[index].offset_s <= begin_s:
                return
            yield notes[index]
