"""Why this string is the bass at a moment, and why the others are not, in words.

Everything is read from the processor's own record and events at that moment, so it is what the program knew then:
nothing that came later, and nothing worked out a second time.
"""

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.kernel.choice import may_carry
from thumbline.dsp.kernel.first_partial import partial_period
from thumbline.dsp.kernel.offsets import FADED, STOPPED
from thumbline.dsp.memory.events import BY_PLUCK, BY_STOP, END, HANDOVER, PLUCK
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BELIEVED, HUM_KNOWN, PLUCKED, SILENT
from thumbline.dsp.note_names import hz_to_midi, midi_to_note
from thumbline.dsp.notebook.levels import loudest_now
from thumbline.dsp.processor.analysis_signal import in_decibels
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.refusals import disbelief, refusal

_BY_RULE = {
    "lowest string": "is lower on the neck",
    "lowest pitch": "sounds lower",
    "last plucked": "was plucked later",
}


@dataclass(frozen=True)
class StringReason:
    """What one string does at the moment, and what that means for the bass."""

    string: int
    name: str  #: such as "string 5 (A2)"
    sounds: bool
    level_db: float  #: its loudest millisecond of the last 40 ms, dBFS
    what: str  #: what the string does
    verdict: str  #: why it is the bass, or is not


@dataclass(frozen=True)
class Explanation:
    """The bass at one moment, with the reasons."""

    moment_s: float
    bass: int  #: 0 is none
    headline: str
    strings: tuple[StringReason, ...]  #: string 1 first

    def as_text(self) -> str:
        """Return all of it as lines of text."""
        rows = (f"  {each.name}: {each.what}; {each.verdict}" for each in self.strings)
        return "\n".join([self.headline, *rows])

    def as_markdown(self) -> str:
        """Return all of it as a headline and a table."""
        rows = [
            f"| {'**' * (each.string == self.bass)}{each.string}{'**' * (each.string == self.bass)} "
            f"| {each.level_db:.0f} dBFS | {each.what} | {each.verdict} |"
            for each in self.strings
        ]
        head = ["| string | peak level | state | why (not) the bass |", "|:-:|--:|:--|:--|"]
        return "\n".join([f"**{self.headline}**", "", *head, *rows])

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        """Return table and text, as IPython asks for them."""
        return {"text/markdown": self.as_markdown(), "text/plain": self.as_text()}


def explain(processor: Processor, events: NDArray[np.void], moment_s: float) -> Explanation:
    """Explain the state of ``processor``, which has passed ``moment_s`` seconds and ``events`` (dtype ``EVENT``)."""
    state = processor.state[0]
    bass = int(state["bass"]) + 1
    loudest = loudest_now(processor.params[0], state)
    reasons = tuple(_string(processor, events, s, loudest) for s in range(processor.rig.string_count))
    return Explanation(moment_s, bass, _headline(processor, events, moment_s, bass), reasons)


def string_name(rig: Rig, string: int) -> str:
    """Return a string's number and open note, such as "string 5 (A2)"."""
    return f"string {string} ({midi_to_note(rig.open_midi[string - 1])})"


def _headline(processor: Processor, events: NDArray[np.void], moment_s: float, bass: int) -> str:
    rig, rate = processor.rig, processor.rate
    who = f"{string_name(rig, bass)} is the bass" if bass else "no string is the bass"
    handovers = events[events["kind"] == HANDOVER]
    if not len(handovers):
        return f"At {moment_s:.3f} s {who}: none has sounded yet."
    last = handovers[-1]
    at_s, took_ms = last["frame"] / rate, 1e3 * (last["decided"] - last["frame"]) / rate
    before = int(last["value"])
    if not bass and last["extra"] != BY_STOP:
        cause = f"{string_name(rig, before)} may carry it no longer since {at_s:.3f} s and nothing else may"
    elif not bass:
        cause = f"{string_name(rig, before)} stopped at {at_s:.3f} s and nothing else may carry the bass"
    elif last["extra"] == BY_PLUCK:
        cause = f"it was plucked at {at_s:.3f} s"
    elif last["extra"] == BY_STOP and before:
        cause = f"{string_name(rig, before)} stopped at {at_s:.3f} s and it sounds on"
    else:
        cause = f'the rule "{rig.choice.rule}" gave it the bass at {at_s:.3f} s'
    return f"At {moment_s:.3f} s {who}: {cause} (known after {took_ms:.1f} ms of sound)."


def _string(processor: Processor, events: NDArray[np.void], s: int, loudest: NDArray[np.float64]) -> StringReason:
    p, st, rig = processor.params[0], processor.state[0], processor.rig
    own = events[events["string"] == s + 1]
    sounds = int(st["strings"][s]["phase"]) != SILENT
    if sounds:
        what, verdict = _sounding(processor, own, s, in_decibels(loudest[s])), _standing(p, st, rig, s)
    else:
        what, verdict = _silent(processor, own, s, loudest), "so it cannot be the bass"
    return StringReason(s + 1, string_name(rig, s + 1), sounds, in_decibels(loudest[s]), what, verdict)


def _sounding(processor: Processor, own: NDArray[np.void], s: int, loudest_db: float) -> str:
    p, st, rate = processor.params[0], processor.state[0], processor.rate
    string = st["strings"][s]
    pluck = own[own["kind"] == PLUCK][-1:]
    since_s = float(pluck["frame"][0]) / rate if len(pluck) else 0.0
    no_note = "" if string["note"] else f"; no note yet: {refusal(p, st, s).words}"
    if string["phase"] == PLUCKED:
        above = loudest_db - in_decibels(p["on_power"][s])
        return f"plucked at {since_s:.3f} s, {above:.0f} dB above its threshold{no_note}"
    hz = float(p["tick_rate"] / partial_period(string))
    note = midi_to_note(hz_to_midi(hz, processor.rig.instrument.a4_hz))
    above = in_decibels(st["level"][s]) - in_decibels(p["off_power"][s])
    return (
        f"sounds {note} ({hz:.1f} Hz), plucked at {since_s:.3f} s, {above:.0f} dB above where it falls silent{no_note}"
    )


def _standing(p: Record, st: Record, rig: Rig, s: int) -> str:
    """Why a string that sounds is the bass, or is not."""
    bass = int(st["bass"])
    if s == bass:
        others = int(np.count_nonzero(st["strings"]["phase"][: rig.string_count] != SILENT)) - 1
        among = "of the strings that may carry the bass" if rig.choice.strings != "all" else "of all that sound"
        if s != int(st["wanted"]):
            return "it keeps the bass while the next one waits"
        if not may_carry(p, st, s):
            return "it is the bass in a rest of the strings that may carry it (choice.rest)"
        return f'it is the bass: the "{rig.choice.rule}" {among}' if others else "it is the bass: no other sounds"
    wanted = int(st["wanted"])
    rest = wanted >= 0 and not may_carry(p, st, wanted)
    if not p["carries"][s] and not rest:
        return "it may not carry the bass (choice.strings)"
    if st["strings"][s]["proof"] != BELIEVED:
        return disbelief(p, st, s)
    if not may_carry(p, st, s) and not rest:
        return f"its note is higher than the bass may be (choice.highest_note is {rig.choice.highest_note})"
    if s == wanted:
        wait = "choice.shortest_ms keeps the bass where it is" if st["delayed"] else "choice.settle_ms is not over"
        return f"it will be the bass, but {wait}"
    if wanted < 0:
        return "it is not wanted: the split is off"
    return f"{string_name(rig, wanted + 1)} {_BY_RULE[rig.choice.rule]}"


def _silent(processor: Processor, own: NDArray[np.void], s: int, loudest: NDArray[np.float64]) -> str:
    """Why a string does not sound."""
    p, st, rig = processor.params[0], processor.state[0], processor.rig
    on_db, now_db = in_decibels(p["on_power"][s]), in_decibels(loudest[s])
    ended = _ended(processor, own, s)
    if int(st["hum_phase"]) != HUM_KNOWN:
        return "hum is still being learned, nothing is listened for"
    if loudest[s] <= p["on_power"][s]:
        return f"silent, {on_db - now_db:.0f} dB under the {on_db:.1f} dBFS at which it would begin to sound{ended}"
    above = f"louder than the {on_db:.1f} dBFS at which it would begin to sound"
    others = np.delete(loudest, s)
    if len(others) and loudest[s] <= p["guard"] * others.max():
        other = int(np.argmax(np.where(np.arange(len(loudest)) == s, -1.0, loudest)))
        softer = in_decibels(loudest[other]) - now_db
        return f"{above}, but {softer:.0f} dB softer than {string_name(rig, other + 1)}, which may leave that much here"
    if loudest[s] <= st["strings"][s]["tail"]:
        return f"{above}, but that is its last note ringing out{ended}"
    return f"silent since a moment ago{ended}"


def _ended(processor: Processor, own: NDArray[np.void], s: int) -> str:
    """How its last note, or what was no note, ended; the record still holds what it was judged by."""
    p, string = processor.params[0], processor.state[0]["strings"][s]
    ends = own[own["kind"] == END]
    if not len(ends):
        return ""
    at_s = float(ends["frame"][-1]) / processor.rate
    if not ends["level"][-1]:
        heard = f", {100 * min(float(string['evidence']), 1.0):.0f} % of the evidence for one was heard last"
        return f"; what it did until {at_s:.3f} s was no note{heard}"
    limits = {
        "was stopped": STOPPED * float(string["expected_level"]),
        f"faded below its {in_decibels(p['off_power'][s]):.1f} dBFS": float(p["off_power"][s]),
        "faded far below its own loudest": FADED * float(string["peak"]),
    }
    return f"; its last note {max(limits, key=lambda how: limits[how])} at {at_s:.3f} s"
