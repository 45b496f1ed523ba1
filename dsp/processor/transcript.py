"""From the processor's events to notes, the bass line, and the state of the mutes."""

from collections.abc import Iterable
from dataclasses import dataclass, field, replace

import numpy as np

from thumbline.dsp.memory.events import LOCK, PITCH
from thumbline.dsp.midi.mutes import MuteDecision, open_set_of, plan_mutes
from thumbline.dsp.processor.bass_path import BassPath, Handover
from thumbline.dsp.processor.confidence import confidence
from thumbline.dsp.processor.event_types import Ended, Faulty, HandedOver, NoteBegun, Pitched, Plucked, typed_events
from thumbline.dsp.processor.notes import Note, in_order, make_note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

#: Shorter stretches of bass are where two datings meet.
SHORTEST_STRETCH_S = 0.002


@dataclass(frozen=True)
class PitchReport:
    """The pitch of a sounding string at one moment."""

    time_s: float
    string: int
    hz: float
    confidence: float  #: 0 to 1: how often values like this one are right
    level_db: float


@dataclass
class Transcript:
    """Collects events, as they come, into what the tables and files are made from.

    Notes are in order of their ends, hand-overs in order of decision. ``feed`` returns the pitch reports of its events,
    which are too many to keep.
    """

    rig: Rig
    rate: int
    notes: list[Note] = field(default_factory=list)
    handovers: list[Handover] = field(default_factory=list)
    #: Channels, from 1, that held samples which cannot be sound.
    faulty_channels: set[int] = field(default_factory=set)
    _begun: dict[int, float] = field(default_factory=dict)
    _found_s: dict[tuple[int, float], float] = field(default_factory=dict)

    def feed(self, events: np.ndarray) -> list[PitchReport]:
        """Take events (dtype ``EVENT``) in order."""
        reports = []
        sure = [confidence(events["extra"], proved).tolist() for proved in (False, True)]
        for i, event in enumerate(typed_events(events)):
            time_s = event.frame / self.rate
            if isinstance(event, Pitched):
                sure_now = sure[event.string in self._begun][i]
                reports.append(PitchReport(time_s, event.string, event.hz, sure_now, event.level_db))
            elif isinstance(event, Plucked):
                self._found_s[event.string, time_s] = event.decided / self.rate
            elif isinstance(event, NoteBegun):
                self._begun[event.string] = time_s
            elif isinstance(event, Ended) and event.string in self._begun:
                onset_s = self._begun.pop(event.string)
                offset_s = max(time_s, onset_s)
                self.notes.append(make_note(self.rig, event.string, onset_s, offset_s, event.hz, event.peak_db))
            elif isinstance(event, HandedOver):
                self.handovers.append(Handover(time_s, event.decided / self.rate, event.string, event.plucked))
            elif isinstance(event, Faulty):
                self.faulty_channels.add(event.channel)
        return reports

    def path(self) -> list[Handover]:
        """The hand-overs that stand in hindsight, dated by their causes; see `thumbline.dsp.processor.bass_path`."""
        return BassPath(self.rig, self.notes, self._found_s).of(self.handovers)

    def bassline(self, end_s: float) -> list[Note]:
        """The bass: each stretch of a note during which its string is the bass, in order of time.

        Plucks that did not prove to be notes leave no row.
        """
        by_string: dict[int, list[Note]] = {}
        for note in sorted(self.notes, key=lambda note: note.onset_s):
            by_string.setdefault(note.string, []).append(note)
        path = self.path()
        ends = [handover.time_s for handover in path[1:]] + [end_s]
        rows = []
        for handover, end in zip(path, ends, strict=False):  # no hand-over, no stretch
            for note in by_string.get(handover.string, ()):
                onset_s, offset_s = max(note.onset_s, handover.time_s), min(note.offset_s, end)
                if offset_s - onset_s > SHORTEST_STRETCH_S:
                    rows.append(replace(note, onset_s=onset_s, offset_s=offset_s))
        return rows

    def open_sets(self) -> Iterable[tuple[float, frozenset[int]]]:
        """For each hand-over, when it was decided and which strings' mutes are then to be open."""
        for handover in self.handovers:
            open_set = open_set_of(handover.string, self.rig.string_count, self.rig.choice.silence)
            if open_set is not None:
                yield handover.decided_s, open_set

    def mutes(self, seconds: float) -> list[MuteDecision]:
        """The decisions for the mutes of a take that lasts ``seconds``, in order of time."""
        return plan_mutes(
            self.open_sets(),
            seconds,
            strings=self.rig.string_count,
            order=self.rig.mutes.order,
            gap_s=1e-3 * self.rig.mutes.gap_ms,
        )

    def notes_in_order(self) -> list[Note]:
        """The notes in order of their onsets; of equal ones the lower string comes first."""
        return in_order(self.notes)

    def pluck_latencies_s(self) -> list[float]:
        """For each hand-over that a pluck caused: how much signal after the pluck was read before the decision."""
        return [each.decided_s - each.time_s for each in self.handovers if each.plucked]

    def stop_latencies_s(self) -> list[float]:
        """The same for hand-overs whose cause was the end of a note."""
        return [each.decided_s - each.time_s for each in self.handovers if not each.plucked]


def transcribe(processor: Processor, blocks: Iterable[np.ndarray]) -> Transcript:
    """Pass ``blocks`` of frames (n, channels) through a fresh processor for their decisions alone."""
    transcript = Transcript(processor.rig, processor.rate)
    for block in blocks:
        transcript.feed(without_pitch(processor.decide(block)))
    transcript.feed(without_pitch(processor.finish()))
    return transcript


def without_pitch(events: np.ndarray) -> np.ndarray:
    """Return events (dtype ``EVENT``) without pitch reports, which are nine in ten and make neither note nor bass."""
    return events[~np.isin(events["kind"], (LOCK, PITCH))]
