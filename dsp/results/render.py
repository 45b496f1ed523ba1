"""Split a take: from a recording to a folder with the bass line, the rest, MIDI, tables and a picture."""

import json
import math
from bisect import bisect_left
from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from csv import writer as csv_writer
from dataclasses import astuple, dataclass, fields
from importlib.metadata import version
from pathlib import Path
from time import perf_counter
from typing import Any

import numpy as np

from thumbline.dsp.files.digests import digest, file_digest
from thumbline.dsp.files.made_files import RENDERED_FILES, SUMMARY, write_summary
from thumbline.dsp.files.outputs import AudioWriter, OutputFolder, sound_bytes, write_csv
from thumbline.dsp.files.passes import Progress
from thumbline.dsp.files.take_in_the_way import refuse_take_as_target
from thumbline.dsp.files.takes import Take, open_take
from thumbline.dsp.kept.replay import prepare
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.midi.mutes import MuteDecision, encode_all, open_all
from thumbline.dsp.midi.smf import write_bass_midi, write_mutes_midi
from thumbline.dsp.midi.wire import decision_delays, summarise
from thumbline.dsp.processor.notes import Note, hand_overs
from thumbline.dsp.processor.parameters import REPORT_S
from thumbline.dsp.processor.processor import warm_up
from thumbline.dsp.processor.transcript import PitchReport, Transcript
from thumbline.dsp.results.overview import draw_overview
from thumbline.dsp.rig.model import Rig

#: Pitch reports drawn in the overview at most.
DRAWN_REPORTS = 60000

#: A pitch is reported this long after its moment at most, in seconds.
LATEST_REPORT_S = 0.25

NOTE_COLUMNS = tuple(field.name for field in fields(Note))
PITCH_COLUMNS = tuple(field.name for field in fields(PitchReport))
#: Digits behind the point: times to a microsecond, the rest finer than anyone can hear.
_DIGITS = {"onset_s": 6, "offset_s": 6, "midi": 4, "hz": 4, "cents": 2}


@dataclass(frozen=True)
class Rendered:
    """What came of one take.

    Attributes
    ----------
    folder : Path
        Where the files are.
    summary : dict
        What ``summary.json`` holds.
    as_before : bool
        Nothing had to be done: the result of this very take and rig was there.
    kept_aside : tuple of str
        Names under which files of a former result stay that were changed since.
    """

    folder: Path
    summary: dict[str, Any]
    as_before: bool = False
    kept_aside: tuple[str, ...] = ()


def render_take(
    path: str | Path, out: str | Path, rig: Rig, progress: Progress = lambda share: None, *, go_on: bool = False
) -> Rendered:
    """Render a take into the folder ``out/<name of the take>``, as `thumbline render` does: whole or not at all.

    Parameters
    ----------
    path : str or Path
        The take: a file, a folder of mono files, or a folder that `thumbline live --keep` made.
    out : str or Path
        The folder for results; it is made if it is not there.
    rig : Rig
        Settings of the guitar. What they leave open ("auto") is measured from the take first. A take that was kept on
        stage with this very rig is decided as it was there instead.
    progress : callable, optional
        Called with the share that is done, 0 to 1.
    go_on : bool, optional
        Leave a result as it is that this version has made of the same take and rig.

    Returns
    -------
    Rendered
        Where the files are, and what ``summary.json`` says.

    Raises
    ------
    InputError
        For a take that cannot be used, or a folder that cannot be written or holds files in the way that the program
        did not make; nothing appears, or is lost, then.

    Examples
    --------
    >>> import thumbline.dsp as tl
    >>> tl.render_take("nowhere.wav", "out", tl.Rig())
    Traceback (most recent call last):
    thumbline.dsp.errors.InputError: cannot open the take nowhere.wav: No such file or directory
    """
    path, out = Path(path), Path(out)
    warm_up()
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        refuse_take_as_target(take, out, rig.string_count)
        if go_on and (former := _former(out / take.name, _made_of(take, rig))) is not None:
            return Rendered(out / take.name, former, as_before=True)
        with OutputFolder(out, take.name, spared=take.files) as folder:
            folder.refuse_what_is_not_ours(RENDERED_FILES)
            folder.refuse_without_room(sound_bytes(take.frames, 1) + sound_bytes(take.frames, 1 + rig.guitar.stereo))
            summary = _split(take, rig, folder.path, _made_of(take, rig), progress)
    return Rendered(folder.target, summary, kept_aside=tuple(folder.kept_aside))


def _made_of(take: Take, rig: Rig) -> str:
    """Return what names a result: a digest of the take, which is read for it, the rig and the version."""
    return digest(*map(file_digest, take.files), rig.model_dump(mode="json"), version("thumbline"))


def _former(folder: Path, made_of: str) -> dict[str, Any] | None:
    """Return the summary of a whole result that was made of the same, None if there is none."""
    try:
        summary = json.loads((folder / SUMMARY).read_text("utf-8"))
        if summary["made_of"] == made_of and all(
            (folder / name).stat().st_size == facts["bytes"] for name, facts in summary["files"].items()
        ):
            return summary
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        pass
    return None


def _split(take: Take, rig: Rig, folder: Path, made_of: str, progress: Progress) -> dict[str, Any]:
    """Measure what the rig leaves open, write all files into ``folder`` and return the summary."""
    rig, processor, blocks, misfit = prepare(take, rig, progress)
    rate, seconds = take.sample_rate, take.frames / take.sample_rate
    transcript = Transcript(rig, rate)
    guitar = [LEFT, RIGHT] if rig.guitar.stereo else [LEFT]
    drawn: list[tuple[float, int, float]] = []
    thinning = math.ceil((seconds * rig.string_count / REPORT_S + 1) / DRAWN_REPORTS)
    processing_s, frames_done = 0.0, 0
    with (
        AudioWriter(folder / "bass.wav", rate, 1, take.frames) as bass_file,
        AudioWriter(folder / "guitar.wav", rate, len(guitar), take.frames) as guitar_file,
        _pitch_table(folder / "pitch.csv") as write_pitch,
    ):
        for block in blocks:
            begun = perf_counter()
            out, events = processor.process(block)
            processing_s += perf_counter() - begun
            frames_done += len(block)
            bass_file.write(out[:, [BASS]])
            guitar_file.write(out[:, guitar])
            reports = transcript.feed(events)
            write_pitch(reports, frames_done / rate - LATEST_REPORT_S)
            drawn += [(report.time_s, report.string, report.hz) for report in reports[::thinning]]
        write_pitch(transcript.feed(processor.finish()), math.inf)
    peaks = {"bass.wav": bass_file.peak_dbfs, "guitar.wav": guitar_file.peak_dbfs}

    notes = transcript.notes_in_order()
    bassline = transcript.bassline(seconds)
    write_csv(folder / "notes.csv", NOTE_COLUMNS, map(_row, notes))
    write_csv(folder / "bassline.csv", NOTE_COLUMNS, map(_row, bassline))
    write_bass_midi(folder / "bass.mid", bassline, interval=rig.bass.interval, end_s=seconds)
    decisions = _write_mutes(transcript, rig, folder, seconds)
    draw_overview(
        folder / "overview.png",
        title=take.name,
        seconds=seconds,
        rig=rig,
        notes=notes,
        bassline=bassline,
        pitch=drawn,
        handover_s=[handover.time_s for handover in transcript.path()],
    )
    summary = {
        "take": take.name,
        "seconds": round(seconds, 6),
        "sample_rate": rate,
        "length_is_open": take.length_is_open,
        "strings": rig.string_count,
        "notes": len(notes),
        "bass_notes": len(bassline),
        "hand_overs": hand_overs(bassline),
        "faulty_channels": sorted(transcript.faulty_channels),
        "strings_without_notes": sorted({*range(1, rig.string_count + 1)} - {note.string for note in notes}),
        "rig_misfit": misfit,
        "decision_latency_ms": {
            "after_a_pluck": _milliseconds(transcript.pluck_latencies_s()),
            "after_a_stop": _milliseconds(transcript.stop_latencies_s()),
        },
        "mute_wire_ms": _wire(decisions, rig),
        "processing_s": round(processing_s, 4),
        "times_real_time": round(seconds / processing_s, 1) if processing_s > 0.0 else None,
        "peak_dbfs": peaks,
        "version": version("thumbline"),
        "made_of": made_of,
        "rig": rig.model_dump(mode="json"),
    }
    return write_summary(folder, summary)


def _write_mutes(transcript: Transcript, rig: Rig, folder: Path, seconds: float) -> list[MuteDecision]:
    """Write mutes.csv and mutes.mid: all strings open at the start and at the end."""
    decisions = transcript.mutes(seconds)
    rows = ((f"{each.time_s:.6f}", each.string, int(each.open)) for each in decisions)
    write_csv(folder / "mutes.csv", ("time_s", "string", "open"), rows)
    modules = rig.mutes.modules
    messages = [(0.0, message) for message in open_all(modules)] + encode_all(decisions, modules)
    write_mutes_midi(folder / "mutes.mid", messages, end_s=seconds)
    return decisions


def _row(note: Note) -> list[object]:
    named = zip(NOTE_COLUMNS, astuple(note), strict=True)
    return [f"{value:.{_DIGITS[name]}f}" if name in _DIGITS else value for name, value in named]


@contextmanager
def _pitch_table(path: Path) -> Iterator[Callable[[Sequence[PitchReport], float], None]]:
    """A table that is written while the take is read (an hour has millions of rows), in order of time.

    Yields a function that takes reports, and the time before which no more will come.
    """
    with path.open("w", encoding="utf-8", newline="") as file:
        table = csv_writer(file, lineterminator="\n")
        table.writerow(PITCH_COLUMNS)
        pending: list[PitchReport] = []

        def write(reports: Sequence[PitchReport], until_s: float) -> None:
            pending.extend(reports)
            pending.sort(key=lambda report: report.time_s)
            ready = bisect_left(pending, until_s, key=lambda report: report.time_s)
            table.writerows(
                (f"{r.time_s:.6f}", r.string, f"{r.hz:.4f}", f"{r.confidence:.4f}", f"{r.level_db:.2f}")
                for r in pending[:ready]
            )
            del pending[:ready]

        yield write


def _milliseconds(latencies_s: Sequence[float]) -> dict[str, float | int | None]:
    """Count, median and 95th percentile."""
    if not latencies_s:
        return {"count": 0, "median": None, "p95": None}
    median, p95 = np.percentile(np.asarray(latencies_s) * 1e3, [50.0, 95.0])
    return {"count": len(latencies_s), "median": round(float(median), 3), "p95": round(float(p95), 3)}


def _wire(decisions: Sequence[MuteDecision], rig: Rig) -> dict[str, float | int | None]:
    """How long the mute decisions take to arrive over a MIDI cable."""
    found = summarise(decision_delays(decisions, rig.mutes.modules))
    if found is None:
        return {"count": 0, "median": None, "worst": None}
    milliseconds = {"median": found.median_s * 1e3, "worst": found.worst_s * 1e3}
    assert all(math.isfinite(value) for value in milliseconds.values())
    return {"count": found.count, **{key: round(value, 3) for key, value in milliseconds.items()}}
