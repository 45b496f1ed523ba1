"""A string followed hop by hop: its plucks, and what each was refused for until it was a note."""

from collections import Counter
from copy import copy
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.kernel.confirmation import ECHO_LIKENESS
from thumbline.dsp.kernel.offsets import FADED
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, SILENT
from thumbline.dsp.memory.tick_ring import decibels
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.scoring.refusals import Kind, Refusal, disbelief, refusal

#: Evidence that falls to nothing from more than this was not spoken against: the sound is another string's.
NEARLY = 0.9


@dataclass
class Attempt:
    """One pluck of a string that was not a note at once, as far as it was followed."""

    begin_s: float
    end_s: float
    from_silence: bool  #: the string was silent before
    loudest_db: float = -np.inf  #: its loudest millisecond, dBFS
    refusals: list[Refusal] = field(default_factory=list)  #: one per hop that it was no note yet
    disbelief: str = ""  #: why the bass was kept from it when that was last so
    echo: bool = False  #: it was refused as the sound of another string
    is_note: bool = False
    ended: str = ""  #: how it ended, if it was no note
    evidence: float = 0.0  #: at the last hop

    @property
    def lacked_time(self) -> bool:
        """Whether it was refused longest for having kept its pitch too briefly, which `detect.strictness` says."""
        return not self.echo and self._longest[0] in ("brief", "late")

    @property
    def _longest(self) -> tuple[Kind, int]:
        """What it was refused for longest, and for how many hops."""
        kinds: Counter[Kind] = Counter(each.kind for each in self.refusals)
        return kinds.most_common(1)[0]

    @property
    def words(self) -> str:
        """Why it was no note, as half a sentence: what it was refused for longest."""
        if self.echo:
            return f"its wave is another string's (alike by {ECHO_LIKENESS**0.5:.2f} or more)"
        kind, hops = self._longest
        had = [each.had for each in self.refusals if each.kind == kind]
        last = next(each for each in reversed(self.refusals) if each.kind == kind)
        if kind in ("brief", "late"):
            return f"{replace(last, had=max(had)).words}{self.ended}"
        lasted_ms = 1e3 * (self.end_s - self.begin_s) * hops / len(self.refusals)
        return f"{replace(last, had=float(np.median(had))).words} (for {lasted_ms:.0f} ms){self.ended}"


@dataclass
class Doings:
    """What a string did while it was followed; levels in dB, minus infinity where it never did that."""

    attempts: list[Attempt] = field(default_factory=list)
    loudest_db: float = -np.inf  #: its loudest millisecond while it was silent, dBFS
    above_guard_db: float = -np.inf  #: how far it rose above what the loudest other string may leave in its channel,
    above_tail_db: float = -np.inf  #: and above what may still ring of its own last note
    rise_db: float = -np.inf  #: greatest rise above its loudest of about the last period while it was a note
    was_silent: bool = False
    is_silent: bool = False  #: when it was last looked at


def follow(processor: Processor, frames: NDArray[np.floating[Any]], string: int, until_s: float) -> Doings:
    """Return what ``string`` (from 1) does until ``until_s``; ``processor``, at the end of a hop, is left as it is.

    ``frames`` (n, channels) is the whole take that the processor has heard the beginning of.
    """
    processor = copy(processor)
    processor.state = processor.state.copy()
    p, st = processor.params[0], processor.state[0]
    hop, doings = HOP * int(p["decimation"]), Doings()
    last = min(round(until_s * processor.rate), len(frames) - hop)
    while (frame := int(st["frame"])) <= last:
        processor.decide(frames[frame : frame + hop])
        _look(p, st, string - 1, doings, (frame + hop) / processor.rate)
    return doings


def _look(p: Record, st: Record, s: int, doings: Doings, now_s: float) -> None:
    string, quick_db = st["strings"][s], decibels(float(st["quick"][s]))
    is_silent, doings.is_silent = doings.is_silent, string["phase"] == SILENT
    if string["phase"] == SILENT:
        others = np.delete(np.maximum(st["quick"], st["level"])[: int(p["strings"])], s)
        guard = float(p["guard"]) * float(others.max())
        doings.was_silent = True
        if doings.attempts and not doings.attempts[-1].ended:
            doings.attempts[-1].ended = _how_it_ended(p, st, s)
        doings.loudest_db = max(doings.loudest_db, quick_db)
        doings.above_guard_db = max(doings.above_guard_db, quick_db - decibels(guard))
        doings.above_tail_db = max(doings.above_tail_db, quick_db - decibels(float(string["tail"])))
    elif string["note"]:
        doings.rise_db = max(doings.rise_db, quick_db - decibels(float(string["recent_peak"])))
        if doings.attempts:
            doings.attempts[-1].is_note = True
    else:
        _note_refusal(p, st, s, doings, now_s, from_silence=is_silent)


def _how_it_ended(p: Record, st: Record, s: int) -> str:
    """Say which limit a string that has just fallen silent went under; the record still holds what it was judged by."""
    off, faded = float(p["off_power"][s]), FADED * float(st["strings"][s]["peak"])
    if off >= faded:
        return f"; then it fell below the {decibels(off):.1f} dBFS of detect.off_db"
    return "; then it was given up"


def _note_refusal(p: Record, st: Record, s: int, doings: Doings, now_s: float, *, from_silence: bool) -> None:
    string = st["strings"][s]
    begin_s = float(string["pluck_tick"]) / float(p["tick_rate"])
    if not doings.attempts or abs(doings.attempts[-1].begin_s - begin_s) > 1e-9:
        doings.attempts.append(Attempt(begin_s, now_s, from_silence))
    attempt, refused = doings.attempts[-1], refusal(p, st, s)
    if attempt.evidence > NEARLY and not string["evidence"] and refused.jumps == attempt.refusals[-1].jumps:
        attempt.echo = True
    attempt.evidence, attempt.end_s = float(string["evidence"]), now_s
    attempt.loudest_db = max(attempt.loudest_db, decibels(float(st["quick"][s])))
    attempt.refusals.append(refused)
    attempt.disbelief = disbelief(p, st, s) or attempt.disbelief
