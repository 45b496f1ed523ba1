"""What the index of a practice set says of tracks, tempo, loops and notes; `practice_index` tells of each key."""

from collections.abc import Sequence
from dataclasses import asdict
from importlib.metadata import version
from typing import Any

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.practice.loops import Loop
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.practice.source import Source, guitar_notes
from thumbline.dsp.practice.tablature import heard
from thumbline.dsp.processor.notes import Note


def contents(
    source: Source, beats: Beats, settings: PracticeSettings, entries: Sequence[dict[str, Any]], loops: Sequence[Loop]
) -> dict[str, Any]:
    """Return the index but for its documents; ``entries`` describe all tracks, the click too."""
    instrument, interval = source.rig.instrument, source.rig.bass.interval
    stem_keys = ("part", "speed", "files", "starts_s", "seconds", "channels", "mix_gain_db")
    stems = [{key: e[key] for key in stem_keys} for e in entries if e["part"] in ("bass", "guitar", "click")]
    tracks = [{k: v for k, v in e.items() if k != "mix_gain_db"} for e in entries if e["part"] != "click"]
    return {
        "version": version("thumbline"),
        "take": source.name,
        "seconds": round(source.seconds, 6),
        "sample_rate": source.rate,
        "instrument": {
            "strings": list(instrument.strings),
            "capo": instrument.capo,
            "a4_hz": instrument.a4_hz,
            "bass_interval": interval,
        },
        "transpose": settings.transpose,
        "line": {"as_heard": settings.as_heard, "passing": source.passing},
        "rig_misfit": source.misfit,
        "tempo": {
            "source": beats.source,
            "bpm": round(beats.bpm, 3) if beats.known else None,
            "steady": beats.steady,
            "beats_per_bar": beats.beats_per_bar,
            "confidence": beats.confidence,
        },
        "beats": [[round(time_s, 6), bar, beat] for time_s, bar, beat in beats.within(source.seconds) if beats.known],
        "bars": [
            {"bar": bar, "start_s": round(start, 6), "end_s": round(end, 6)}
            for bar, start, end in beats.bars(source.seconds)
            if beats.known
        ],
        "speeds": list(settings.speeds),
        "stems": stems,
        "tracks": tracks,
        "loops": [{**asdict(loop), "start_s": round(loop.start_s, 6), "end_s": round(loop.end_s, 6)} for loop in loops],
        "bass_notes": [{**_row(note), "heard": heard(note, interval + settings.transpose)} for note in source.bassline],
        "guitar_notes": [{**_row(note), "heard": heard(note, settings.transpose)} for note in guitar_notes(source)],
    }


def _row(note: Note) -> dict[str, Any]:
    return {
        "onset_s": round(note.onset_s, 6),
        "offset_s": round(note.offset_s, 6),
        "string": note.string,
        "fret": note.fret,
        "note": note.note,
        "midi": round(note.midi, 3),
        "velocity": note.velocity,
    }
