"""Renders the demo take, an open-strings take for calibration, and the truth of both.

Everything comes from `thumbline.dsp.synthetic.demo_score` and a seed. Make the files anew with::

    python -m thumbline.dsp.synthetic.demo data

==========================  ==============================================================================
``demo.flac``               the piece: six channels, 16 bit, 48 kHz; channel 1 carries string 1
``demo.json``               its truth: notes and bleed
``demo_pitch.csv``          its exact pitch, ``time_s,string,hz``, every 10 ms for each sounding string
``demo_open_strings.flac``  each open string three times, the lowest first, after half a second of silence
``demo_open_strings.json``  its truth
==========================  ==============================================================================

A note of the truth has ``string``; ``onset``, when the string is let go or a slur begins; ``offset``, when a
hand has stopped the string (40 dB down) or the next slur begins; ``fades`` and ``faded``, when the note has fallen 26
and 42 dB below its loudest 20 ms, or ``offset`` if that comes first; ``midi``, its median pitch. Times are in
seconds.
"""

import csv
import json
import math
import sys
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import pairwise
from pathlib import Path

import numpy as np

from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.synthetic.demo_score import BEAT_S, SCORE, STRINGS, TITLE, Note
from thumbline.dsp.synthetic.model_take import Thump, add_bleed, bleed_matrix, hiss, hum, render_string
from thumbline.dsp.synthetic.palm_mute import PalmMute
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, Slur

SAMPLE_RATE = 48_000
SEED = 2031
LEAD_S = 0.6
"""Silence before the first beat."""
OPEN_LEAD_S = 2.5
"""Silence at the beginning of the open-strings take: more than the guided calibration asks for."""
TAIL_S = 0.4
"""Silence after the last note has been stopped."""
TIMING_S = 0.003
"""Standard deviation of the player's timing; an estimate, as all that follows down to the pickup."""
LIFT_S = 0.008
"""How long before a string is played again the finger lands on it and stops it."""
SLUR_STRENGTH = 0.35
"""Force of a hammer-on or pull-off as a share of the pluck's."""
GLIDE_CENTS = 8.0
OPEN_STRING_S = 0.8
"""How long each note of the open-strings take rings; they begin a second apart."""
BLEED_DB = -26.0
"""From the neighbouring string."""
BLEED_FALL_DB = 9.0
HUM_DB = -66.0
MAINS_HZ = 50.0
HISS_DB = -90.0
SILENCED = math.sqrt(40.0 / 60.0)
"""When a hand has brought a note down by 40 dB, as a share of the damping time (see `string_model.damping`)."""
LEVEL_WINDOW_S = 0.02
PITCH_EVERY_S = 0.01

Event = Pluck | Thump


@dataclass(frozen=True)
class ModelTake:
    """A rendered take and all that is known of it. Columns are strings, string 1 first."""

    title: str
    audio: Signal
    """``(frames, strings)``, as the pickup gives it."""
    clean: Signal
    """``(frames, strings)``, each string without bleed, hum and hiss."""
    pitch: Signal
    """``(frames, strings)``, exact, Hz; NaN where no note sounds."""
    bleed: Signal
    events: Mapping[int, Sequence[Event]]


def demo_events(rng: np.random.Generator) -> dict[int, list[Event]]:
    """Return what each string does in the piece: the score in seconds, with a player's errors of timing."""
    events: dict[int, list[Event]] = {string: [] for string in STRINGS}
    for item in SCORE:
        if isinstance(item, Note):
            events[item.string].append(_pluck(item, rng.normal(0, TIMING_S)))
        else:
            for string in item.strings:
                start = LEAD_S + item.beat * BEAT_S + rng.normal(0, TIMING_S)
                events[string].append(Thump(start, item.velocity))
    return {string: _one_at_a_time(line) for string, line in events.items()}


def open_string_events() -> dict[int, list[Event]]:
    """Return each open string plucked three times, medium, strong and soft, the lowest string first."""
    events: dict[int, list[Event]] = {}
    start = OPEN_LEAD_S
    for string in sorted(STRINGS, reverse=True):
        midi = STRINGS[string].open_midi
        events[string] = [
            Pluck(start + i, midi, start + i + OPEN_STRING_S, velocity, glide_cents=GLIDE_CENTS)
            for i, velocity in enumerate((0.65, 0.95, 0.40))
        ]
        start += len(events[string])
    return events


def _pluck(note: Note, error_s: float) -> Pluck:
    """Return a written note as the player plays it, ``error_s`` late."""
    open_midi = STRINGS[note.string].open_midi
    slurs = ()
    if note.slur_to is not None:
        slurs = (Slur(note.beats * BEAT_S / 2, open_midi + note.slur_to, SLUR_STRENGTH * note.velocity),)
    return Pluck(
        start_s=LEAD_S + note.beat * BEAT_S + note.late_s + error_s,
        midi=open_midi + note.fret,
        stop_s=LEAD_S + (note.beat + note.beats) * BEAT_S,
        velocity=note.velocity,
        pluck_mm=140.0 if note.thumb else 120.0,
        width_mm=5.0 if note.thumb else 2.0,
        glide_cents=GLIDE_CENTS,
        bend=note.bend,
        vibrato=note.vibrato,
        slurs=slurs,
        harmonic=note.harmonic,
        palm=None if note.palm_s is None else PalmMute(note.palm_s),
    )


def _one_at_a_time(line: Sequence[Event]) -> list[Event]:
    """Return the events of a string in order, each note stopped in time for the next event."""
    ordered = sorted(line, key=lambda e: e.start_s)
    for i, (event, following) in enumerate(pairwise(ordered)):
        landing = following.start_s - LIFT_S
        if isinstance(event, Pluck) and event.stop_s > landing:
            ordered[i] = replace(event, stop_s=landing, damp_s=LIFT_S)
    return ordered


def guitar_bleed(seed: int) -> Signal:
    """Return the bleed matrix of the demo guitar, ``(strings, strings)``."""
    return bleed_matrix(len(STRINGS), BLEED_DB, BLEED_FALL_DB, np.random.default_rng(seed)).round(5)


def render_take(
    title: str,
    guitar: Mapping[int, GuitarString],
    events: Mapping[int, Sequence[Event]],
    bleed: Signal,
    rng: np.random.Generator,
) -> ModelTake:
    """Return a take of ``events`` (string -> what it does, for every string) on ``guitar``."""
    strings = sorted(events)
    stops = [e.stop_s for line in events.values() for e in line if isinstance(e, Pluck)]
    frames = round((max(stops) + TAIL_S) * SAMPLE_RATE)
    rendered = [render_string(guitar[s], events[s], frames, SAMPLE_RATE, rng) for s in strings]
    clean, pitch = (np.column_stack(part) for part in zip(*rendered, strict=True))
    audio = add_bleed(clean, bleed)
    audio += hum(frames, len(strings), SAMPLE_RATE, HUM_DB, MAINS_HZ, rng)
    audio += hiss(frames, len(strings), HISS_DB, rng)
    return ModelTake(title, audio, clean, pitch, bleed, events)


def demo_take(seed: int = SEED) -> ModelTake:
    """Return the piece."""
    rng = np.random.default_rng([seed, 1])
    return render_take(TITLE, STRINGS, demo_events(rng), guitar_bleed(seed), rng)


def open_strings_take(seed: int = SEED) -> ModelTake:
    """Return the calibration take of the same guitar."""
    rng = np.random.default_rng([seed, 2])
    return render_take("Open strings", STRINGS, open_string_events(), guitar_bleed(seed), rng)


def true_notes(take: ModelTake) -> list[dict[str, float]]:
    """Return the notes of a take in order of onset; see the module for what each field means."""
    notes: list[dict[str, float]] = []
    for column, string in enumerate(sorted(take.events)):
        level = _level(take.clean[:, column])
        for pluck in take.events[string]:
            if isinstance(pluck, Thump):
                continue
            slurs = (pluck.start_s + slur.after_s for slur in pluck.slurs)
            edges = [pluck.start_s, *slurs, pluck.stop_s + SILENCED * pluck.damp_s]
            for onset, offset in pairwise(edges):
                begin, end = round(onset * SAMPLE_RATE), round(offset * SAMPLE_RATE)
                hz = np.nanmedian(take.pitch[begin : round(min(offset, pluck.stop_s) * SAMPLE_RATE), column])
                notes.append(
                    {
                        "string": string,
                        "onset": round(onset, 5),
                        "offset": round(offset, 5),
                        "fades": round(min(offset, onset + _fallen_s(level[begin:end], 26.0)), 5),
                        "faded": round(min(offset, onset + _fallen_s(level[begin:end], 42.0)), 5),
                        "midi": round(float(69 + 12 * np.log2(hz / 440)), 4),
                    }
                )
    return sorted(notes, key=lambda n: (n["onset"], -n["string"]))


def _level(signal: Signal) -> Signal:
    """Return the rms of the window centred on each frame, same shape."""
    from scipy.ndimage import uniform_filter1d

    power = uniform_filter1d(np.square(signal), round(LEVEL_WINDOW_S * SAMPLE_RATE), mode="constant")
    return np.sqrt(np.maximum(power, 0.0))


def _fallen_s(level: Signal, by_db: float) -> float:
    """Return the time at which ``level`` has fallen ``by_db`` below its peak; infinity if it never does."""
    peak = int(np.argmax(level))
    below = np.flatnonzero(level[peak:] < level[peak] * amplitude_of(-by_db))
    return (peak + below[0]) / SAMPLE_RATE if len(below) else np.inf


def truth_json(take: ModelTake) -> str:
    """Return the truth of a take as JSON text, one note per line."""
    strings = sorted(take.events)
    head = {
        "title": take.title,
        "sample_rate": SAMPLE_RATE,
        "channel_of_string": {str(string): column + 1 for column, string in enumerate(strings)},
        "bleed": take.bleed.tolist(),
    }
    thumps = [
        {"string": s, "onset": round(e.start_s, 5)} for s in strings for e in take.events[s] if isinstance(e, Thump)
    ]
    lines = [f'"{key}": {json.dumps(value)}' for key, value in head.items()]
    for key, rows in (("thumps", thumps), ("notes", true_notes(take))):
        lines.append(f'"{key}": [\n' + ",\n".join(f"  {json.dumps(row)}" for row in rows) + "\n]")
    return "{\n" + ",\n".join(lines) + "\n}\n"


def write_demo(folder: Path, seed: int = SEED) -> list[Path]:
    """Write the demo files into ``folder``, which is made if need be, and return their paths.

    A file appears whole or not at all. Raises `InputError` if the folder cannot be written.
    """
    import soundfile

    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryDirectory(dir=folder) as name:
            made = Path(name)
            piece, open_strings = demo_take(seed), open_strings_take(seed)
            for take, stem in ((piece, "demo"), (open_strings, "demo_open_strings")):
                soundfile.write(made / f"{stem}.flac", to_16_bit(take.audio), SAMPLE_RATE, subtype="PCM_16")
                (made / f"{stem}.json").write_text(truth_json(take), encoding="utf-8")
            with (made / "demo_pitch.csv").open("w", newline="", encoding="utf-8") as file:
                writer = csv.writer(file, lineterminator="\n")
                writer.writerow(("time_s", "string", "hz"))
                writer.writerows(pitch_rows(piece))
            return [path.replace(folder / path.name) for path in sorted(made.iterdir())]
    except OSError as error:
        raise InputError(f"demo folder {folder}: cannot be written ({error.strerror}), accepted is a folder") from error


def to_16_bit(audio: Signal) -> np.ndarray:
    """Return ``audio`` (full scale 1) rounded to 16-bit integers; the hiss serves as dither."""
    return np.clip(np.rint(audio * 32768), -32768, 32767).astype(np.int16)


def pitch_rows(take: ModelTake) -> list[tuple[str, int, str]]:
    """Return ``time_s, string, hz`` for each sounding string every 10 ms."""
    rows: list[tuple[str, int, str]] = []
    for frame in range(0, len(take.pitch), round(PITCH_EVERY_S * SAMPLE_RATE)):
        for column, string in enumerate(sorted(take.events)):
            hz = take.pitch[frame, column]
            if np.isfinite(hz):
                rows.append((f"{frame / SAMPLE_RATE:.2f}", string, f"{hz:.3f}"))
    return rows


def main(arguments: Sequence[str]) -> int:
    """Write the demo files into the folder named by the only argument; return the exit code."""
    if len(arguments) != 1:
        print("usage: python -m thumbline.dsp.synthetic.demo FOLDER", file=sys.stderr)
        return 2
    try:
        for path in write_demo(Path(arguments[0])):
            print(path)
    except InputError as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main(sys.argv[1:]))
