"""Why a note that was played was not found, and why one was found that nobody played, in words with their numbers."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.decibels import power_db
from thumbline.dsp.kernel.onsets import ATTACK, CHANGE
from thumbline.dsp.memory.records import HOP
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.processor.analysis_signal import in_decibels
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.attempts import Doings, follow
from thumbline.dsp.scoring.matching import PITCH_CENTS
from thumbline.dsp.scoring.true_bass import Spanned

#: A string is followed from so long before a note's onset, for so long after it at least, and at most, in seconds.
BEFORE_S, AFTER_S, LONGEST_S = 0.03, 0.1, 0.25
#: A found note whose onset is this near to that of a missed one is the same, dated or read otherwise, in seconds.
NEAR_S = 0.15


@dataclass(frozen=True)
class Unmatched:
    """A note that was missed, or a false one, and why."""

    kind: Literal["missed", "false"]
    note: Spanned
    why: str

    @property
    def setting(self) -> str | None:
        """The setting of the rig that the reason names, such as "detect.on_db"; None if it names none."""
        return next((each for each in ("detect.strictness", "detect.on_db", "detect.off_db") if each in self.why), None)

    @property
    def words(self) -> str:
        """All of it in a line."""
        name = midi_to_note(round(self.note.midi))
        return f"{self.note.onset_s:.3f} s: {name} on string {self.note.string} {self.kind}: {self.why}"


def why_missed(
    frames: NDArray[np.floating[Any]], rate: int, rig: Rig, missed: Sequence[Spanned], false: Sequence[Note]
) -> Iterator[Unmatched]:
    """Yield each missed note with its reason, in order of time.

    ``frames`` (n, channels) at ``rate`` frames per second, full scale 1, is the take, ``rig`` complete, and ``false``
    the notes that it finds though nobody played them.
    """
    processor = Processor(rig, rate)
    for note in sorted(missed, key=lambda each: each.onset_s):
        _hear(processor, frames, note.onset_s - BEFORE_S)
        until_s = note.onset_s + min(max(note.offset_s - note.onset_s, AFTER_S), LONGEST_S)
        yield Unmatched("missed", note, _why_missed(rig, note, follow(processor, frames, note.string, until_s), false))


def why_false(frames: NDArray[np.floating[Any]], rate: int, rig: Rig, false: Sequence[Spanned]) -> Iterator[Unmatched]:
    """Yield each note that nobody played with what it was believed for, in order of time; arguments as above."""
    processor = Processor(rig, rate)
    for note in sorted(false, key=lambda each: each.onset_s):
        _hear(processor, frames, note.onset_s - BEFORE_S)
        yield Unmatched("false", note, _why_false(processor, frames, note))


def _hear(processor: Processor, frames: NDArray[np.floating[Any]], until_s: float) -> None:
    """Hear the take on to the end of the last hop before ``until_s``."""
    hop = HOP * int(processor.params[0]["decimation"])
    heard = int(processor.state[0]["frame"])
    processor.decide(frames[heard : max(round(until_s * processor.rate) // hop * hop, heard)])


def _why_missed(rig: Rig, note: Spanned, doings: Doings, false: Sequence[Note]) -> str:
    same = _same(note, false)
    if same is not None:
        return same
    refused = [each for each in doings.attempts if not each.is_note]
    if refused:
        # Of several plucks the one that was heard for longest is the note; the others were touches.
        longest = max(refused, key=lambda each: len(each.refusals))
        less = "; a lower detect.strictness asks for less" if longest.lacked_time else ""
        return f"plucked, but no note: {longest.words}{less}"
    if not doings.was_silent:
        return (
            f"taken for the note before it going on: it rose by {max(doings.rise_db, 0.0):.0f} dB where "
            f"{power_db(ATTACK):.0f} make a new pluck, and its wave changed by less than {CHANGE:.2f}"
        )
    return _why_silent(rig, note.string, doings)


def _why_silent(rig: Rig, string: int, doings: Doings) -> str:
    on_db = rig.detect.on_db
    assert not isinstance(on_db, str)
    short_db = on_db[string - 1] - doings.loudest_db
    if short_db > 0.0:
        asked = f"the {on_db[string - 1]:.1f} of detect.on_db"
        return f"its loudest was {doings.loudest_db:.1f} dBFS, {short_db:.1f} dB under {asked}"
    if doings.above_guard_db < 0.0:
        return f"its pluck was {-doings.above_guard_db:.0f} dB softer than what the loudest other string may leave here"
    if doings.above_tail_db < 0.0:
        return f"its pluck was {-doings.above_tail_db:.0f} dB softer than what may still ring of the note before"
    return "its pluck came while the string before it was being stopped"


def _same(note: Spanned, false: Sequence[Note]) -> str | None:
    """Say how a found note that must be meant differs from the one that was played."""
    near = [
        each
        for each in false
        if each.string == note.string and abs(each.onset_s - note.onset_s) < NEAR_S and each.onset_s < note.offset_s
    ]
    if not near:
        return None
    each = min(near, key=lambda one: abs(one.onset_s - note.onset_s))
    late_ms, cents = 1e3 * (each.onset_s - note.onset_s), 100.0 * (each.midi - note.midi)
    if abs(cents) >= PITCH_CENTS:
        return f"found as {each.note}, {cents:+.0f} cents off, {late_ms:+.0f} ms"
    return f"found {abs(late_ms):.0f} ms too {'late' if late_ms > 0 else 'early'}"


def _why_false(processor: Processor, frames: NDArray[np.floating[Any]], note: Spanned) -> str:
    until_s = note.onset_s + min(max(note.offset_s - note.onset_s, AFTER_S), LONGEST_S)
    doings = follow(processor, frames, note.string, until_s)
    p = processor.params[0]
    on_db = in_decibels(float(p["on_power"][note.string - 1]))
    proved = [each for each in doings.attempts if each.is_note]
    if not proved:
        return "a string that sounded already took on this pitch, as by a slide or a hammered note"
    attempt = proved[0]
    above = f"{attempt.loudest_db - on_db:.0f} dB over the {on_db:.1f} dBFS of detect.on_db, "
    if not attempt.from_silence:
        above += "where its string still sounded; "
    asked = attempt.refusals[-1].asked
    return f"{above}it kept its pitch for the {asked:.0f} ms that make a note (detect.strictness)"
