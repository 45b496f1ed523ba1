"""What the tests of the practice page share: a small practice folder of tones with known beginnings."""

import struct
import zlib
from pathlib import Path
from typing import Any

import numpy as np

from thumbline.dsp.practice.page import write_page
from thumbline.dsp.practice.page_sound import PageStem

RATE = 48_000
SECONDS = 6.0
BASS_HZ, GUITAR_HZ = 55.0, 330.0
#: Length of the take that practice sets are made of, in seconds: four bars of the demo, so that tests are short.
SECONDS_OF_TAKE = 9.6
#: Beats, half a second apart; a note of the bass on each, a note of the guitar between.
BEATS_S = [0.5 + 0.5 * i for i in range(10)]
NOTE_S = 0.4
STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2"]


def plucks(hz: float, onsets_s: list[float]) -> np.ndarray:
    """Decaying tones of five partials that begin at once."""
    sound = np.zeros(round(SECONDS * RATE))
    for onset_s in onsets_s:
        first = round(onset_s * RATE)
        time_s = np.arange(round(NOTE_S * RATE)) / RATE
        tone = sum(np.sin(2 * np.pi * k * hz * time_s) / k for k in range(1, 6))
        part = 0.2 * tone * np.exp(-2.0 * time_s) * np.minimum(1.0, (NOTE_S - time_s) / 0.02)
        sound[first : first + len(part)] += part
    return sound


PAGE = "practice.html"


def page_stems() -> list[PageStem]:
    between_s = [time_s + 0.25 for time_s in BEATS_S]
    sounds = {"bass": plucks(BASS_HZ, BEATS_S), "guitar": plucks(GUITAR_HZ, between_s)}
    return [PageStem(part, sound.astype(np.float32)[:, None], RATE) for part, sound in sounds.items()]


def write_page_of(folder: Path, index: dict[str, Any]) -> None:
    write_page(folder / PAGE, index, folder / "overview.png", page_stems())


def make_folder(folder: Path) -> dict[str, Any]:
    """Write a picture, and return the index of a folder of two parts."""
    (folder / "overview.png").write_bytes(white_png(400, 200))
    return {
        "take": "Tide Table",
        "seconds": SECONDS,
        "instrument": {
            "strings": STRINGS,
            "capo": 0,
            "a4_hz": 440.0,
            "bass_interval": -12,
        },
        "transpose": 0,
        "tempo": {"source": "given", "bpm": 120.0, "steady": True, "beats_per_bar": 4, "confidence": None},
        "beats": [[time_s, 1 + i // 4, 1 + i % 4] for i, time_s in enumerate(BEATS_S)],
        "speeds": [100, 75, 60],
        "loops": [{"name": "bar 2", "start_s": 2.5, "end_s": 4.5, "first_bar": 2, "last_bar": 2, "source": "phrase"}],
        "bass_notes": [note(time_s, 5, 45, "A1") for time_s in BEATS_S],
        "guitar_notes": [note(time_s + 0.25, 1, 64, "E4") for time_s in BEATS_S],
        "pictures": {
            "overview": {
                "file": "overview.png",
                "width": 400,
                "height": 200,
                "rows": [{"start_s": 0.0, "end_s": SECONDS, "left": 40, "right": 380, "top": 20, "bottom": 180}],
            }
        },
    }


def note(onset_s: float, string: int, midi: int, heard: str) -> dict[str, Any]:
    return {
        "onset_s": onset_s,
        "offset_s": onset_s + NOTE_S,
        "string": string,
        "fret": 0,
        "midi": midi,
        "velocity": 90,
        "heard": heard,
    }


def white_png(width: int, height: int) -> bytes:
    """A white picture (W3C, "Portable Network Graphics", second edition: grey scale, 8 bits)."""

    def chunk(kind: bytes, data: bytes) -> bytes:
        return struct.pack(">I", len(data)) + kind + data + struct.pack(">I", zlib.crc32(kind + data))

    rows = (b"\0" + b"\xff" * width) * height
    header = struct.pack(">IIBBBBB", width, height, 8, 0, 0, 0, 0)
    chunks = chunk(b"IHDR", header) + chunk(b"IDAT", zlib.compress(rows)) + chunk(b"IEND", b"")
    return b"\x89PNG\r\n\x1a\n" + chunks
