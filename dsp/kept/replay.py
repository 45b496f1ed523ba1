"""A kept take decided again as it was on stage: the same settings, changes and restarts, at the same frames.

The live processor measures nothing beforehand, so neither does this one: thresholds that the rig leaves open and hum
are what they were on stage.
"""

import csv
from collections.abc import Iterator
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.survey import complete_for_take, passes_of, survey
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.passes import Progress, counted_passes
from thumbline.dsp.files.takes import Take
from thumbline.dsp.kept.layout import CONTROL_COLUMNS, CONTROLS, KeptTake, kept_take
from thumbline.dsp.kernel.controls import change_setting
from thumbline.dsp.memory.events import EVENT
from thumbline.dsp.memory.records import initial_state, keep_hum
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

_CHARACTER = "bass.character"


class Mark(NamedTuple):
    """What was asked of the processor from ``frame`` on, in the kernel's units (``MARK`` in ``dsp.live.record``)."""

    frame: int
    anew: int
    setting_before: int
    setting: int
    split: int
    hold: int
    character: int
    level: float
    tone_hz: float
    ratio: float


assert Mark._fields == CONTROL_COLUMNS


def read_marks(path: Path) -> list[Mark]:
    """Read ``controls.csv``. A last row that was cut off is left out; raises InputError for any other damage."""
    try:
        text = path.read_text("utf-8")
    except (OSError, UnicodeDecodeError) as error:
        raise InputError(f"{printable(path)}: cannot be read ({error}); give --rig to split the take anew") from None
    rows = csv.reader(text[: text.rfind("\n") + 1].splitlines())
    try:
        if tuple(next(rows)) != CONTROL_COLUMNS:
            raise ValueError
        return [Mark(*map(int, row[:7]), *map(float, row[7:])) for row in rows]
    except (ValueError, TypeError, StopIteration):
        raise InputError(f"{printable(path)}: is damaged; give --rig to split the take anew") from None


class Replay(Processor):
    """A processor for the frames of a kept take, from the first one on.

    The bass has the given ``character`` throughout; None leaves it as it was on stage, with each change of it. Its
    events count frames of the take, through every restart of the engine. Raises InputError if the marks name a setting
    that the take has not.
    """

    def __init__(self, kept: KeptTake, rate: int, character: str | None = None) -> None:
        super().__init__(kept.rig, rate)
        self._keeps_character = character is None
        rigs = kept.rigs if character is None else [rig.changed({_CHARACTER: character}) for rig in kept.rigs]
        self._settings = compile_settings(list(zip(kept.names, rigs, strict=True)), rate)
        self._marks = read_marks(kept.folder / CONTROLS)
        if any(not 0 <= s < len(self._settings) for mark in self._marks for s in (mark.setting_before, mark.setting)):
            where = printable(kept.folder / CONTROLS)
            raise InputError(f"{where}: names a setting beyond the {len(self._settings)} of the take")
        self._setting = self._done = self._offset = 0

    def process(self, frames: NDArray[np.float64]) -> tuple[NDArray[np.float64], NDArray[np.void]]:
        """Take the next frames of the take; see :meth:`Processor.process`."""
        sounds: list[NDArray[np.float64]] = []
        events: list[NDArray[np.void]] = []
        first = 0
        while first < len(frames) or not sounds:
            while self._marks and self._marks[0].frame <= self._done:
                events.append(self._obey(self._marks.pop(0)))
            count = min(len(frames) - first, self._marks[0].frame - self._done if self._marks else len(frames))
            sound, new = super().process(frames[first : first + count])
            sounds.append(sound)
            events.append(self._in_the_take(new))
            first += count
            self._done += count
        return np.concatenate(sounds), np.concatenate(events)

    def finish(self) -> NDArray[np.void]:
        """End the take; see :meth:`Processor.finish`."""
        return self._in_the_take(super().finish())

    def _obey(self, mark: Mark) -> NDArray[np.void]:
        """Do at the frame of a mark what the engine did there; return the ends of notes that a restart cut off."""
        ended = np.zeros(0, EVENT)
        if mark.anew:
            if self._done:
                ended = self.finish()
            fresh = initial_state(self._settings[mark.setting_before : mark.setting_before + 1])
            keep_hum(self.state[0], fresh[0])
            self.state[:] = fresh
            self._events_read, self._offset, self._setting = 0, mark.frame, mark.setting_before
        st = self.state[0]
        if mark.setting != self._setting:
            change_setting(self._settings[self._setting], self._settings[mark.setting], st)
            self._setting = mark.setting
        self.params[:] = self._settings[mark.setting : mark.setting + 1]
        for name in ("split", "hold", "level", "tone_hz", "ratio"):
            st["controls"][name] = getattr(mark, name)
        st["controls"]["character"] = mark.character if self._keeps_character else 0
        return ended

    def _in_the_take(self, events: NDArray[np.void]) -> NDArray[np.void]:
        """Return events whose frames count from the engine's start with those of the take."""
        events["frame"] += self._offset
        events["decided"] += self._offset
        return events


class Prepared(NamedTuple):
    """A take about to be split."""

    rig: Rig  #: complete
    processor: Processor
    blocks: Iterator[NDArray[np.float64]]
    misfit: str  #: why the rig seems to be that of another guitar; empty if it fits, or nobody has looked


def prepare(take: Take, rig: Rig, progress: Progress) -> Prepared:
    """Prepare a pass over ``take`` that takes every decision: again, if it was kept with this ``rig``, else anew.

    The character of the bass takes no part in any decision, so it may be another one. Anew, what the rig leaves open is
    measured first. Raises InputError for a kept take whose tables are damaged.
    """
    kept = kept_take(take.path)
    if kept is not None and kept.rig.changed({_CHARACTER: rig.bass.character}) == rig:
        character = None if kept.rig == rig else rig.bass.character
        return Prepared(rig, Replay(kept, take.sample_rate, character), counted_passes(take, 1, progress)(), "")
    blocks = counted_passes(take, passes_of(rig), progress)
    found = survey(blocks, rig, take.sample_rate)
    rig = complete_for_take(rig, found)
    return Prepared(rig, Processor(rig, take.sample_rate, found.hum), blocks(), found.misfit)
