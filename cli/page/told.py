"""What a screen is told: the console's view as plain values, as short as the page needs them."""

from typing import Any

from thumbline.cli.console.view import StringView, View, bass_words, unusual
from thumbline.cli.tuning.tuner_screen import SCALE_CENTS, cents_text, tuner_word
from thumbline.cli.tuning.tuner_view import TunerView

#: Levels are told from here on, in dBFS, as a share of the way to 0.
LOWEST_DB = -60.0


def told_of(view: View) -> dict[str, Any]:
    """Return the view as the page reads it."""
    bass = next((string for string in view.strings if string.bass), None)
    return {
        "unusual": unusual(view),
        "status": "" if view.engine.status == "playing" else view.engine.status,
        "news": view.notice,
        "alarm": view.alarm,
        "song": view.song,
        "number": view.song_number,
        "next": view.next_song,
        "elapsed": int(view.elapsed_s),
        "done": None if view.done is None else round(view.done, 3),
        "kept": view.recording == "REC",
        "bass": None if bass is None else {"string": bass.number, "note": bass.note},
        "strings": [_string(string) for string in view.strings],
        "sound": view.engine.sound_on,
        "split": view.split,
        "hold": view.hold,
        "unmuted": view.all_unmuted,
        "tuner": None if view.tuner is None else _tuner(view.tuner),
        "facts": _facts(view),
        "feet": list(view.feet),
    }


def _string(string: StringView) -> dict[str, Any]:
    share = min(max(1.0 - string.level_db / LOWEST_DB, 0.0), 1.0)
    return {
        "number": string.number,
        "open": string.open_note,
        "note": string.note,
        "level": round(share, 2),
        "state": string.state,
        "bass": string.bass,
    }


def _tuner(tuner: TunerView) -> dict[str, Any]:
    if not tuner.note:
        return {"note": "", "string": 0, "cents": "", "word": "pluck one string", "place": 0.0}
    place = max(-1.0, min(tuner.cents / SCALE_CENTS, 1.0))
    cents, word = cents_text(tuner), tuner_word(tuner)
    cents = "0" if cents in ("+0", "-0") else cents
    return {"note": tuner.note, "string": tuner.string, "cents": cents, "word": word, "place": round(place, 3)}


def _facts(view: View) -> str:
    engine = view.engine
    dropouts = engine.missed + engine.late
    parts = [bass_words(view), f"{dropouts} dropout{'s' * (dropouts != 1)}" if dropouts else ""]
    parts.append("" if view.midi.port else "no MIDI port")
    return "; ".join(filter(None, parts))
