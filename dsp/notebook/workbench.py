"""A take on the bench: held in memory, decided anew for each rig that is tried, and no more than is needed.

Decisions need no sound, so no sound is made until somebody wants to hear it; levels do not depend on thresholds but
for what hum is left, so they are measured once. What was worked out for a rig is kept.
"""

import os
from collections import OrderedDict
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace
from pathlib import Path
from threading import Lock
from typing import Any, Literal, TypeVar

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.survey import complete_for_take, survey
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.kept.layout import rig_for
from thumbline.dsp.kept.moments import seconds_at
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.notebook.explain import Explanation, explain
from thumbline.dsp.notebook.levels import Levels, measure_levels
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor, warm_up
from thumbline.dsp.processor.transcript import Handover, Transcript, without_pitch
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.matching import unmatched
from thumbline.dsp.scoring.missed_notes import Unmatched, why_false, why_missed
from thumbline.dsp.scoring.score import TOLERANCES_S, Mistake, find_mistakes, path_right
from thumbline.dsp.scoring.true_bass import HeardBass, TrueBass
from thumbline.dsp.scoring.truth import TrueNote, load_truth
from thumbline.dsp.scoring.truth_beside import find_truth

#: A longer take is cut to this length, in seconds, unless the caller says how long, so that answers come at once.
LONGEST_S = 30.0
#: Rigs whose decisions are kept, and rigs whose sound is.
KEPT_DECISIONS, KEPT_SOUNDS = 256, 2
_BLOCK = 1 << 16

T = TypeVar("T")


@dataclass(frozen=True, eq=False)
class Decisions:
    """What the processor decided about the take with one rig."""

    rig: Rig
    notes: tuple[Note, ...]
    bassline: tuple[Note, ...]
    handovers: tuple[Handover, ...]  #: in order of decision
    mutes: tuple[MuteDecision, ...]
    right: float | None  #: share of the moments asked for, with a bass, at which the bass line is right, as in a score
    mistakes: tuple[Mistake, ...]
    missed: tuple[TrueNote, ...]  #: known notes of any string that were not found, as in a score
    false: tuple[Note, ...]  #: notes that were found though they are not among those known


@dataclass(frozen=True, eq=False)
class Sound:
    """What the processor makes of the take, full scale 1."""

    rate: int
    bass: NDArray[np.float64]  #: (frames,)
    guitar: NDArray[np.float64]  #: (frames,) or, if the rig says stereo, (frames, 2)


@dataclass(frozen=True, eq=False)
class Reference:
    """What decisions are compared with."""

    bass: TrueBass
    kind: Literal["truth", "rig"]  #: what was truly played, or what the rig decided as it was loaded
    name: str


class Workbench:
    """One take, the rig it was opened with, and everything that is asked about them.

    ``frames`` (n, channels) at ``rate`` frames per second, full scale 1, is all of the take that is looked at; it
    begins at ``start_s`` of the file. ``rig`` must be complete (`thumbline.dsp.calibration.survey.complete`).
    ``truth``, if known, is in seconds of the file.
    """

    def __init__(
        self,
        name: str,
        frames: NDArray[np.float64],
        rate: int,
        rig: Rig,
        *,
        take_path: Path | None = None,
        rig_path: Path | None = None,
        truth: Sequence[TrueNote] | None = None,
        truth_name: str = "truth",
        start_s: float = 0.0,
        whole_s: float | None = None,
        misfit: str = "",
    ) -> None:
        self.name, self.rate, self.rig, self.start_s = name, rate, rig, start_s
        self.take_path, self.rig_path = take_path, rig_path
        self.misfit = misfit  #: what of the take does not fit the rig, in words
        self.frames = np.ascontiguousarray(frames, np.float64)
        self.seconds = len(self.frames) / rate
        self.whole_s = self.seconds if whole_s is None else whole_s  #: length of the file
        self._kept: dict[str, OrderedDict[str, Any]] = {}
        self._lock = Lock()
        #: What decisions are compared with.
        self.reference = (
            Reference(self._as_loaded(), "rig", "what the rig decided when it was loaded")
            if truth is None
            else Reference(TrueBass(_within(truth, start_s, self.seconds)), "truth", truth_name)
        )

    def _as_loaded(self) -> HeardBass:
        transcript = self._hear(self.rig, None)[0]
        return HeardBass(_own_notes(transcript), transcript.bassline(self.seconds))

    def decisions(self, rig: Rig | None = None) -> Decisions:
        """Return the decisions with ``rig`` (default: the one the take was opened with)."""
        return self._keep(
            "decisions", rig or self.rig, KEPT_DECISIONS, lambda tried: self._judge(self._hear(tried, None)[0])
        )

    @property
    def known_notes(self) -> Sequence[TrueNote]:
        """The notes of the truth, or those that the rig found as it was loaded."""
        return self.reference.bass.notes

    def decisions_of(self, rigs: Sequence[Rig]) -> list[Decisions]:
        """Return the decisions with each of several rigs, worked out on all cores."""
        with ThreadPoolExecutor(os.cpu_count()) as pool:
            return list(pool.map(self.decisions, rigs))

    def look(self, rig: Rig, moment_s: float) -> tuple[Decisions, Explanation]:
        """Return the decisions and, for a moment within the take, the reasons; at the cost of one run at most."""
        moment_s = min(max(moment_s, 0.0), self.seconds)
        kept = self._kept.get("decisions", OrderedDict()).get(_key(rig))
        if kept is not None:
            return kept, self.explain(rig, moment_s)
        transcript, explanation = self._hear(rig, moment_s)
        assert explanation is not None
        return self._keep("decisions", rig, KEPT_DECISIONS, lambda _: self._judge(transcript)), explanation

    def explain(self, rig: Rig, moment_s: float) -> Explanation:
        """Return the reasons at a moment, in seconds: the take is heard up to there."""
        processor = Processor(rig, self.rate)
        events = processor.decide(self.frames[: round(moment_s * self.rate)])
        return explain(processor, events, moment_s)

    def why(self, rig: Rig, note: TrueNote | Note) -> Unmatched:
        """Return why a note of ``decisions(rig).missed`` or ``.false`` was missed or found; half a second of work."""
        decisions = self.decisions(rig)
        if any(note is each for each in decisions.missed):
            return next(why_missed(self.frames, self.rate, rig, [note], decisions.false))
        return next(why_false(self.frames, self.rate, rig, [note]))

    def levels(self, rig: Rig | None = None) -> Levels:
        """Return the levels of all strings as ``rig`` conditions them."""

        def measure(tried: Rig) -> Levels:
            return measure_levels(self.frames, tried, self.rate)

        front_end = (rig or self.rig).model_copy(update={"detect": self.rig.detect, "choice": self.rig.choice})
        return self._keep("levels", front_end, KEPT_SOUNDS, measure)

    def sound(self, rig: Rig | None = None) -> Sound:
        """Return bass and remainder as they are rendered with ``rig``."""

        def make(tried: Rig) -> Sound:
            out, _ = Processor(tried, self.rate).process(self.frames)
            guitar = out[:, [LEFT, RIGHT]] if tried.guitar.stereo else out[:, LEFT]
            return Sound(self.rate, out[:, BASS], guitar)

        return self._keep("sound", rig or self.rig, KEPT_SOUNDS, make)

    def _hear(self, rig: Rig, moment_s: float | None) -> tuple[Transcript, Explanation | None]:
        """Pass the whole take, with a halt for the reasons at ``moment_s``."""
        processor, transcript = Processor(rig, self.rate), Transcript(rig, self.rate)
        split = 0 if moment_s is None else round(moment_s * self.rate)
        events = [processor.decide(self.frames[:split])]
        explanation = None if moment_s is None else explain(processor, events[0], moment_s)
        events += [processor.decide(self.frames[split:]), processor.finish()]
        transcript.feed(without_pitch(np.concatenate(events)))
        return transcript, explanation

    def _judge(self, transcript: Transcript) -> Decisions:
        rig, bassline = transcript.rig, transcript.bassline(self.seconds)
        mutes = transcript.mutes(self.seconds)
        true = self.reference.bass
        found = true.found(bassline)
        notes = transcript.notes_in_order()
        missed, false = unmatched(true.notes, notes, TOLERANCES_S[0])
        return Decisions(
            rig=rig,
            notes=tuple(notes),
            bassline=tuple(bassline),
            handovers=tuple(transcript.handovers),
            mutes=tuple(mutes),
            right=path_right(true, found),
            mistakes=tuple(find_mistakes(true, found)),
            missed=missed,
            false=false,
        )

    def _keep(self, kind: str, rig: Rig, most: int, make: Callable[[Rig], T]) -> T:
        """Return what was made for ``rig`` before, or make it; the ``most`` latest are kept."""
        kept = self._kept.setdefault(kind, OrderedDict())
        key = _key(rig)
        made = kept[key] if key in kept else make(rig)
        with self._lock:
            kept[key] = made
            kept.move_to_end(key)
            while len(kept) > most:
                kept.popitem(last=False)
        return made


def _key(rig: Rig) -> str:
    return rig.model_dump_json()


def _own_notes(transcript: Transcript) -> list[TrueNote]:
    """Return what was found as if it were the truth."""
    return [TrueNote(n.string, n.midi, n.onset_s, n.offset_s, n.offset_s, n.offset_s) for n in transcript.notes]


def _within(notes: Sequence[TrueNote], start_s: float, seconds: float) -> list[TrueNote]:
    """Return the notes of a stretch of the take, in seconds of the stretch, cut where it is cut."""

    def cut(time_s: float) -> float:
        return min(max(time_s - start_s, 0.0), seconds)

    return [
        replace(
            note,
            onset_s=cut(note.onset_s),
            offset_s=cut(note.offset_s),
            fades_s=cut(note.fades_s),
            faded_s=cut(note.faded_s),
        )
        for note in notes
        if note.offset_s > start_s and note.onset_s < start_s + seconds
    ]


def open_workbench(
    take: str | os.PathLike[str],
    rig: str | os.PathLike[str] | None = None,
    truth: str | os.PathLike[str] | None = None,
    *,
    start_s: float | str = 0.0,
    seconds: float | None = None,
) -> Workbench:
    """Open a take for tuning.

    ``rig`` is a rig file; without one, the file of the take's name with the ending ``.toml`` beside it, or else the
    default settings. ``truth`` is a file of the notes that were played (`thumbline.dsp.scoring.truth`), looked for
    likewise. What the rig leaves open is measured from the take. Of a take longer than ``LONGEST_S`` so much is taken
    from ``start_s`` on, or ``seconds`` if they are given.

    A folder that `thumbline live` kept brings its own rig, and ``start_s`` may be a time of day in it, such as
    "22:31:05".

    Raises InputError for a file that cannot be used, for two files of notes beside the take, or a stretch that is not
    in it.
    """
    path = Path(take)
    beside = path.with_suffix(".toml")
    rig_path = Path(rig) if rig is not None else beside if beside.is_file() else None
    settings = load_rig(rig_path) if rig_path is not None else rig_for(path)
    start_s = seconds_at(path, start_s) if isinstance(start_s, str) else start_s
    truth_path = Path(truth) if truth is not None else find_truth(path)
    warm_up()
    with open_take(path, settings.string_count, settings.input.channels, settings.instrument.strings) as opened:
        rate, whole_s = opened.sample_rate, opened.frames / opened.sample_rate
        length_s = LONGEST_S if seconds is None else seconds
        if not (0.0 <= start_s < whole_s and length_s > 0.0):
            raise InputError(
                f"{printable(path)}: start_s is {start_s:g} and seconds {length_s:g}; accepted: a stretch of the "
                f"take, which is {whole_s:.1f} s long"
            )
        found = survey(lambda: opened.blocks(_BLOCK), settings, rate)
        settings = complete_for_take(settings, found)
        frames = _stretch(opened.blocks(_BLOCK), round(start_s * rate), round((start_s + length_s) * rate))
    return Workbench(
        path.name,
        frames,
        rate,
        settings,
        take_path=path,
        rig_path=rig_path,
        truth=None if truth_path is None else load_truth(truth_path, settings),
        truth_name="truth" if truth_path is None else truth_path.name,
        start_s=start_s,
        whole_s=whole_s,
        misfit=found.misfit,
    )


def _stretch(blocks: Any, first: int, last: int) -> NDArray[np.float64]:
    """Frames ``first`` to ``last - 1`` of a take that is read in blocks."""
    parts, done = [], 0
    for block in blocks:
        parts.append(block[max(first - done, 0) : max(last - done, 0)])
        done += len(block)
        if done >= last:
            break
    return np.concatenate(parts)
