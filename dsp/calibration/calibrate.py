"""Calibrate: from a take in which each string is played alone to a rig that fits the guitar."""

from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.advice import ANOTHER_NOTE_CENTS, warnings
from thumbline.dsp.calibration.playing import not_open_strings
from thumbline.dsp.calibration.report import StringReport
from thumbline.dsp.calibration.survey import (
    MEASURED,
    OFF_ABOVE_FLOOR_DB,
    OFF_BELOW_LEVEL_DB,
    ON_ABOVE_FLOOR_DB,
    ON_BELOW_LEVEL_DB,
    STEADY_DB,
    Survey,
    complete,
    passes_of,
    survey,
)
from thumbline.dsp.decibels import amplitude_db, power_db
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.passes import Progress, counted_passes
from thumbline.dsp.files.takes import Take, open_take
from thumbline.dsp.note_names import midi_to_note, note_to_midi
from thumbline.dsp.processor.hum import Hum
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import transcribe
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.rig.sections import LOWEST_OPEN_STRING

#: The lowest string may be tuned down this far from what the rig says, and still be recognised, in semitones.
TUNED_DOWN = 5
#: Samples at this share of full scale, and this many in a row, are clipped.
CLIPPED_AT, CLIPPED_RUN = 0.999, 3
#: A note this far off the median of its string's notes is another one, in semitones.
STRAY = 1.0
#: Tops that are equal to this share are flat.
FLAT = 1e-5


@dataclass(frozen=True)
class Calibration:
    """A rig, why its values are what they are, and what should be looked at."""

    rig: Rig
    reasons: dict[str, str]
    strings: tuple[StringReport, ...]
    mains_hz: float | None
    mains_db: float | None  #: the hum of the channel that has most of it, dBFS (rms)
    warnings: tuple[str, ...] = field(default=())
    doubt: str = ""  #: why this was not a take of open strings, one after the other; empty if it was


def calibrate(path: Path, base: Rig, progress: Progress = lambda share: None) -> Calibration:
    """Measure a take of single strings. ``base`` gives strings, tuning and everything that is not measured.

    Mains frequency, levels, thresholds and bleed of ``base`` are measured anew. Raises InputError for a take that
    cannot be used, or in which nothing is played.
    """
    with open_take(path, base.string_count, base.input.channels, base.instrument.strings) as take:
        blocks = counted_passes(take, passes_of(base), progress)
        found = survey(blocks, _to_measure(base), take.sample_rate)
        if not found.played.any():
            raise InputError(
                f"{path}: no string is heard to be played; accepted: a take in which each string is plucked alone, "
                "a few times each, with a moment of silence first"
            )
        rig = complete(_to_measure(base), found)
        notes, clipped, flat_tops = _listen(take, rig, found.hum, blocks())
    own = [[note for note in notes if note.string == string] for string in range(1, rig.string_count + 1)]
    pitches = [[note.midi for note in each] for each in own]
    cents = [_deviation(pitches[s], float(rig.open_midi[s])) for s in range(rig.string_count)]
    reports = tuple(_report(rig, found, s, own[s], cents[s], clipped, flat_tops) for s in range(rig.string_count))
    off = [round(c, 1) if c is not None and abs(c) < ANOTHER_NOTE_CENTS else 0.0 for c in cents]
    return Calibration(
        rig.changed({"detect.tuning_cents": off}),
        _reasons(path, found),
        reports,
        found.mains_hz,
        max((each.hum_db for each in reports if each.hum_db is not None), default=None),
        tuple(warnings(rig, reports, pitches, found.isolation.same)),
        not_open_strings(notes),
    )


def _to_measure(base: Rig) -> Rig:
    mains = "auto" if base.input.mains_hz != "off" else "off"
    return base.changed({"input.mains_hz": mains, **dict.fromkeys(MEASURED, "auto")})


def _listen(
    take: Take, rig: Rig, hum: Hum | None, blocks: Iterator[NDArray[np.float64]]
) -> tuple[list[Note], NDArray[np.int64], NDArray[np.int64]]:
    """Notes, sought on each string over the whole neck; clipped samples and flat tops by channel."""
    # Each channel is searched from below the lowest string up, so that a swapped or retuned one is known by its pitch.
    lowest = max(round(float(rig.open_midi.min())) - TUNED_DOWN, note_to_midi(LOWEST_OPEN_STRING))
    strings = [midi_to_note(lowest)] * rig.string_count
    wide = rig.changed({"instrument.strings": strings, "instrument.frets": 36, "instrument.capo": 0})
    clipped, tops = np.zeros(take.channels, np.int64), FlatTops(take.channels)

    def passing() -> Iterator[NDArray[np.float64]]:
        for block in blocks:
            np.add(clipped, _clipped(block), out=clipped)
            tops.take(block)
            yield block

    transcript = transcribe(Processor(wide, take.sample_rate, hum), passing())
    return transcript.notes, clipped, tops.counts


def _clipped(block: NDArray[np.float64]) -> NDArray[np.int64]:
    """Samples of each channel that stand at full scale, ``CLIPPED_RUN`` or more in a row."""
    high = np.abs(block) >= CLIPPED_AT
    runs = np.ones(np.maximum(high.shape - np.array([CLIPPED_RUN - 1, 0]), 0), np.bool_)
    for shift in range(CLIPPED_RUN):
        runs &= high[shift : shift + len(runs)]
    return runs.sum(axis=0)


class FlatTops:
    """Counts, channel by channel, the runs of ``CLIPPED_RUN`` equal samples at the channel's greatest level so far."""

    def __init__(self, channels: int) -> None:
        self.counts = np.zeros(channels, np.int64)
        self._peak = np.zeros(channels)

    def take(self, block: NDArray[np.float64]) -> None:
        """Take a block (frames, channels); a run that is split between two blocks is missed."""
        if len(block) < CLIPPED_RUN:
            return
        loud = np.abs(block)
        peak = loud.max(axis=0)
        self.counts[peak > self._peak * (1.0 + FLAT)] = 0
        self._peak = np.maximum(self._peak, peak)
        at_top = (loud >= self._peak * (1.0 - FLAT)) & (self._peak > 0.0)
        flat = at_top[CLIPPED_RUN - 1 :].copy()
        for shift in range(1, CLIPPED_RUN):
            earlier = slice(CLIPPED_RUN - 1 - shift, len(block) - shift)
            flat &= at_top[earlier]
        self.counts += (flat[1:] > flat[:-1]).sum(axis=0) + flat[0]


def _deviation(pitches: list[float], open_midi: float) -> float | None:
    return 100.0 * (float(np.median(pitches)) - open_midi) if pitches else None


def _report(
    rig: Rig,
    found: Survey,
    s: int,
    notes: list[Note],
    cents: float | None,
    clipped: NDArray[np.int64],
    flat_tops: NDArray[np.int64],
) -> StringReport:
    others = np.abs(found.bleed[s])
    others[s] = 0.0
    loudest = int(np.argmax(others))
    channel = rig.input.channels[s]
    midi, hum, isolation = np.array([note.midi for note in notes]), found.hum, found.isolation
    left_db = isolation.left_db[s]
    return StringReport(
        string=s + 1,
        note=rig.instrument.strings[s],
        channel=channel,
        played=bool(found.played[s]),
        notes=len(notes),
        cents=cents,
        floor_db=float(found.floor_db[s]),
        level_db=float(found.level_db[s]),
        on_db=float(found.on_db[s]),
        off_db=float(found.off_db[s]),
        bleed_db=amplitude_db(float(others[loudest])) if others[loudest] > 1e-4 else None,
        bleed_from=loudest + 1 if others[loudest] > 1e-4 else None,
        clipped=int(clipped[channel - 1]),
        flat_tops=int(flat_tops[channel - 1]),
        bleed_doubted=bool(found.bleed_doubted[s]),
        lasts_s=float(np.median([note.offset_s - note.onset_s for note in notes])) if notes else None,
        strays=int(np.count_nonzero(np.abs(midi - np.median(midi)) > STRAY)) if notes else 0,
        alone=float(isolation.alone[s] / max(isolation.sounds[s], 1)),
        left_db=None if np.isnan(left_db).all() else float(np.nanmax(left_db)),
        left_from=None if np.isnan(left_db).all() else int(np.nanargmax(left_db)) + 1,
        hum_db=None if hum is None or not hum[:, s].any() else float(power_db(np.sum(np.abs(hum[:, s]) ** 2) / 2.0)),
    )


def _reasons(path: Path, found: Survey) -> dict[str, str]:
    """Why each measured value is what it is, for the comments in the rig file."""
    if found.mains_hz is None:
        mains = "no line at 50 or 60 Hz stands out where nobody plays"
    else:
        mains = f"a line at {found.mains_hz:.2f} Hz and its multiples stands out where nobody plays"
    source = f"measured from {path.name}"
    return {
        "input.mains_hz": f"{source}: {mains}",
        "detect.floor_db": f"{source}: the quietest twentieth of all 20 ms blocks, bleed and hum removed, or "
        f"{STEADY_DB:.0f} dB above the quietest moment if that is less",
        "detect.level_db": f"{source}: the upper quartile of the blocks that hold a note",
        "detect.on_db": f"{ON_ABOVE_FLOOR_DB:.0f} dB above the floor or {ON_BELOW_LEVEL_DB:.0f} dB below the level, "
        "whichever is higher",
        "detect.off_db": f"{OFF_ABOVE_FLOOR_DB:.0f} dB above the floor or {OFF_BELOW_LEVEL_DB:.0f} dB below the level, "
        "whichever is higher",
        "detect.tuning_cents": f"{source}: median of the notes recognised on each string",
        "bleed.matrix": f"{source}: what each channel hears of the others while its own string is silent",
    }
