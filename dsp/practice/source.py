"""What practice tracks are made from: the voices of a take, or the files of a rendered folder.

A take gives each string by itself, so that each can be stretched as the one voice it is. A folder that ``thumbline
render`` made holds the bass, which is one voice too, and the guitar as one sound of many voices.
"""

import json
from collections.abc import Sequence
from csv import DictReader
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.passes import Progress
from thumbline.dsp.files.sound_files import file_name
from thumbline.dsp.files.takes import Take, open_take, take_name
from thumbline.dsp.kept.replay import Prepared, prepare
from thumbline.dsp.memory.events import PLUCK
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.practice.gates import add_gated, bass_spans, gate, silenced, silences
from thumbline.dsp.processor.notes import Note, in_order
from thumbline.dsp.processor.processor import CHUNK
from thumbline.dsp.processor.settled_line import SettledLine, settled_line
from thumbline.dsp.processor.transcript import PitchReport, Transcript
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.sound.stretch import Voice

#: Longest take, s: all its strings are held in memory, 4 bytes per sample.
LONGEST_S = 1800.0
#: The files of a rendered folder that are read here.
RENDERED = ("summary.json", "bass.wav", "guitar.wav", "bassline.csv", "notes.csv", "pitch.csv")


@dataclass(frozen=True)
class GatedString:
    """A string, and when it belongs to the guitar."""

    voice: Voice
    pan: tuple[float, ...]  #: gain in each channel of the guitar
    gate: NDArray[np.float64]  #: (corners, 2): frame and gain; straight between corners, 1 before the first


@dataclass(frozen=True)
class Source:
    """A take, taken apart.

    ``bass`` is as ``thumbline render`` writes it, but silent while something passes (`settled_line`); ``guitar`` is the
    sum of its strings by their gates (`practice_gates`), or as written by ``thumbline render`` in a rendered folder.
    """

    name: str
    rate: int
    rig: Rig
    bass: Voice
    guitar: NDArray[np.float32]  #: (frames, channels)
    strings: tuple[GatedString, ...]  #: none if only the sum is known
    notes: tuple[Note, ...]  #: of all strings, in order of time
    bassline: tuple[Note, ...]  #: as one would write it down, or as heard if that was asked for
    handover_s: tuple[float, ...]
    pitch: tuple[tuple[float, int, float], ...]  #: time_s, string, Hz
    passing: int = 0  #: how many stretches of the bass were left out of the line
    misfit: str = ""  #: why the rig seems to be that of another guitar; empty if it fits

    @property
    def frames(self) -> int:
        """Length of the take."""
        return len(self.guitar)

    @property
    def seconds(self) -> float:
        """Length of the take."""
        return self.frames / self.rate


def is_rendered(path: Path) -> bool:
    """Whether ``path`` is a folder that ``thumbline render`` made."""
    return all((path / name).is_file() for name in RENDERED)


def read_source(path: Path, rig: Rig, progress: Progress = lambda share: None, *, as_heard: bool = False) -> Source:
    """Take the take at ``path`` apart, or read the rendered folder there.

    The bass line is settled, or ``as_heard``, with everything that passes.

    Raises InputError for a take that cannot be used, holds no note, or is longer than half an hour.
    """
    source = _from_folder(path, as_heard) if is_rendered(path) else _from_take(path, rig, progress, as_heard)
    if not source.notes:
        raise InputError(
            f"{printable(path)}: no note was found, so there is nothing to practise; is this the right take?"
        )
    return source


def _refuse_long(path: Path, frames: int, rate: int) -> None:
    if frames > LONGEST_S * rate:
        minutes = frames / rate / 60
        accepted = f"accepted are {LONGEST_S / 60:.0f} minutes; cut it into pieces"
        raise InputError(f"{printable(path)} is {minutes:.1f} minutes long; {accepted}")


def _line(bassline: Sequence[Note], notes: Sequence[Note], as_heard: bool) -> SettledLine:
    return SettledLine(tuple(bassline), ()) if as_heard else settled_line(bassline, notes)


def _from_take(path: Path, rig: Rig, progress: Progress, as_heard: bool) -> Source:
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        _refuse_long(path, take.frames, take.sample_rate)
        return _take_apart(take, prepare(take, rig, progress), as_heard)


def _take_apart(take: Take, prepared: Prepared, as_heard: bool) -> Source:
    rig, processor, blocks, misfit = prepared
    rate, n = take.sample_rate, rig.string_count
    transcript = Transcript(rig, rate)
    p, st = processor.params[0], processor.state[0]
    past = st["past"][: int(p["past_mask"]) + 1, :n]
    columns = [LEFT, RIGHT] if rig.guitar.stereo else [LEFT]
    clean = np.zeros((n, take.frames), np.float32)
    bass = np.zeros(take.frames, np.float32)
    guitar = np.zeros((take.frames, len(columns)), np.float32)
    reports: list[PitchReport] = []
    plucks: list[tuple[int, int]] = []
    done = 0
    size = min(CHUNK, len(past))
    for block in blocks:
        for first in range(0, len(block), size):
            out, events = processor.process(block[first : first + size])
            new = slice(done, done + len(out))
            # The strings after conditioning are read from the processor's own past, which goes round.
            row = (int(st["frame"]) - len(out)) % len(past)
            before = min(len(out), len(past) - row)
            clean[:, done : done + before] = past[row : row + before].T
            clean[:, done + before : new.stop] = past[: len(out) - before].T
            bass[new] = out[:, BASS]
            done = new.stop
            reports += transcript.feed(events)
            struck = events[events["kind"] == PLUCK]
            plucks += zip(struck["frame"].tolist(), struck["string"].tolist(), strict=True)
    reports += transcript.feed(processor.finish())
    seconds = take.frames / rate
    notes = tuple(transcript.notes_in_order())
    line = _line(transcript.bassline(seconds), notes, as_heard)
    spans = bass_spans(transcript.path(), line, seconds) if rig.guitar.strings != "all" else []
    pitch = tuple(sorted((report.time_s, report.string, report.hz) for report in reports))
    strings = []
    for string in range(1, n + 1):
        onsets = [frame for frame, plucked in plucks if plucked == string]
        onsets += [round(note.onset_s * rate) for note in notes if note.string == string]
        voice = _voice(clean[string - 1], rate, onsets, [(t, hz) for t, s, hz in pitch if s == string])
        corners = gate(string, spans, rig.bass.crossfade_ms * 1e-3, rate)
        pan = tuple(float(p["pan"][string - 1, side - LEFT]) for side in columns)
        strings.append(GatedString(voice, pan, corners))
        add_gated(guitar, voice.sound, corners, pan)
    return Source(
        name=printable(take.name),
        rate=rate,
        rig=rig,
        bass=_bass_voice(silenced(bass, silences(line), rate), rate, rig.bass.interval, line.notes, pitch),
        guitar=guitar,
        strings=tuple(strings),
        notes=notes,
        bassline=line.notes,
        passing=len(line.passing),
        handover_s=tuple(handover.time_s for handover in transcript.path()),
        pitch=pitch,
        misfit=misfit,
    )


def _voice(sound: NDArray[np.float32], rate: int, onsets: Sequence[int], pitch: Sequence[tuple[float, float]]) -> Voice:
    frames = np.array([round(time_s * rate) for time_s, _ in pitch], np.int64)
    hz = np.array([hz for _, hz in pitch], np.float64)
    keep = (hz > 0.0) & np.concatenate([[True], np.diff(frames) > 0])[: len(frames)]
    inside = sorted({min(max(onset, 0), max(len(sound) - 1, 0)) for onset in onsets})
    return Voice(sound, rate, np.array(inside, np.int64), frames[keep], hz[keep])


def _bass_voice(
    sound: NDArray[np.float32],
    rate: int,
    interval: int,
    bassline: Sequence[Note],
    pitch: Sequence[tuple[float, int, float]],
) -> Voice:
    """The bass as one voice: its notes, at the pitch at which it is heard."""
    starts = np.array([note.onset_s for note in bassline])
    ratio = 2.0 ** (interval / 12.0)
    heard: list[tuple[float, float]] = []
    reported: set[int] = set()
    for time_s, string, hz in pitch:
        at = int(np.searchsorted(starts, time_s, "right")) - 1
        if at >= 0 and bassline[at].string == string and time_s < bassline[at].offset_s:
            heard.append((time_s, hz * ratio))
            reported.add(at)
    # A short note may be over before its pitch is reported.
    heard += [(note.onset_s, note.hz * ratio) for at, note in enumerate(bassline) if at not in reported]
    heard.sort()
    return _voice(sound, rate, [round(note.onset_s * rate) for note in bassline], heard)


def _from_folder(path: Path, as_heard: bool) -> Source:
    """Read what ``thumbline render`` wrote."""
    try:
        summary = json.loads((path / "summary.json").read_text("utf-8"))
        rig, misfit = Rig.model_validate(summary["rig"]), str(summary.get("rig_misfit", ""))
        notes, bassline = (_notes(path / name) for name in ("notes.csv", "bassline.csv"))
        with (path / "pitch.csv").open(encoding="utf-8", newline="") as file:
            pitch = tuple((float(r["time_s"]), int(r["string"]), float(r["hz"])) for r in DictReader(file))
        info = soundfile.info(file_name(path / "bass.wav"))
        _refuse_long(path, info.frames, info.samplerate)
        (bass, rate), (guitar, guitar_rate) = (_sound(path / name) for name in ("bass.wav", "guitar.wav"))
    except (OSError, ValueError, KeyError, TypeError, RecursionError, soundfile.LibsndfileError) as error:
        what = str(error).splitlines()[0] if str(error) else type(error).__name__
        raise InputError(
            f"the rendered folder {printable(path)} cannot be read ({what}); render the take again"
        ) from error
    if bass.shape[1] != 1 or len(bass) != len(guitar) or rate != guitar_rate:
        raise InputError(f"{printable(path)}: bass.wav and guitar.wav do not belong together; render the take again")
    line = _line(bassline, notes, as_heard)
    return Source(
        name=printable(take_name(path)),
        rate=rate,
        rig=rig,
        bass=_bass_voice(
            silenced(np.ascontiguousarray(bass[:, 0]), silences(line), rate), rate, rig.bass.interval, line.notes, pitch
        ),
        guitar=guitar,
        strings=(),
        notes=notes,
        bassline=line.notes,
        passing=len(line.passing),
        handover_s=tuple(note.onset_s for note in bassline[1:]),
        pitch=pitch,
        misfit=misfit,
    )


def _sound(path: Path) -> tuple[NDArray[np.float32], int]:
    """Read a sound file as (frames, channels), and its rate."""
    sound, rate = soundfile.read(file_name(path), dtype="float32", always_2d=True)
    return np.asarray(sound, np.float32), rate


def _notes(path: Path) -> tuple[Note, ...]:
    with path.open(encoding="utf-8", newline="") as file:
        return tuple(
            Note(
                onset_s=float(row["onset_s"]),
                offset_s=float(row["offset_s"]),
                string=int(row["string"]),
                fret=int(row["fret"]),
                midi=float(row["midi"]),
                note=row["note"],
                hz=float(row["hz"]),
                cents=float(row["cents"]),
                velocity=int(row["velocity"]),
            )
            for row in DictReader(file)
        )


def guitar_notes(source: Source) -> list[Note]:
    """The notes of all strings while they are not the bass, in order of time.

    What is left of a note before and after the bass has it are two rows; scraps under 30 ms are left out. All notes in
    full, if the rig leaves the bass string in the guitar.
    """
    if source.rig.guitar.strings == "all":
        return list(source.notes)
    left: list[Note] = []
    for note in source.notes:
        start_s = note.onset_s
        for bass in source.bassline:
            if bass.string == note.string and bass.onset_s < note.offset_s and bass.offset_s > start_s:
                if bass.onset_s - start_s >= 0.03:
                    left.append(replace(note, onset_s=start_s, offset_s=bass.onset_s))
                start_s = bass.offset_s
        if note.offset_s - start_s >= 0.03:
            left.append(replace(note, onset_s=start_s))
    return in_order(left)
