"""What the tests of rendering share: a take of model strings, its truth, and its result."""

import csv
from collections.abc import Mapping
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.results.render import Rendered, render_take
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import add_bleed, bleed_matrix, hiss, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 44_100
SECONDS = 3.7
FRAMES = round(SECONDS * RATE) + 13  # no whole number of blocks

FILES = {
    "bass.wav",
    "guitar.wav",
    "bassline.csv",
    "notes.csv",
    "pitch.csv",
    "mutes.csv",
    "bass.mid",
    "mutes.mid",
    "overview.png",
    "summary.json",
}
NOTE_COLUMNS = ["onset_s", "offset_s", "string", "fret", "midi", "note", "hz", "cents", "velocity"]

#: String, fret, start and stop in seconds. The bass by the oracle of one's own eyes: 5, 6, 5, 1, none, 3.
PLAYED = [(5, 3, 0.3, 2.0), (1, 0, 0.5, 2.4), (6, 3, 1.0, 1.6), (3, 2, 2.7, 3.3)]
BASS = [(5, 0.3, 1.0), (6, 1.0, 1.6), (5, 1.6, 2.0), (1, 2.0, 2.4), (3, 2.7, 3.3)]


def rig(**sections: Mapping[str, object]) -> Rig:
    return Rig.model_validate(sections)


def make_take(rate: int = RATE, frames: int = FRAMES) -> NDArray[np.float64]:
    rng = np.random.default_rng(3)
    strings = np.zeros((frames, 6))
    for string, fret, start, stop in PLAYED:
        pluck = Pluck(start, STRINGS[string].open_midi + fret, stop, 0.8)
        strings[:, string - 1] += render_string(STRINGS[string], [pluck], frames, rate, rng)[0]
    take = add_bleed(strings, bleed_matrix(6, -28.0, 8.0, rng))
    return take + hiss(frames, 6, -85.0, rng)


TAKE = make_take()


def rendered_take(folder: Path, settings: Rig | None = None, name: str = "quay.wav") -> Rendered:
    path = folder / name
    if not path.exists():
        soundfile.write(path, TAKE, RATE, "PCM_24")
    return render_take(path, folder / "out", settings or Rig())


def table(folder: Path, name: str) -> tuple[list[str], list[dict[str, str]]]:
    with (folder / name).open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file)
        return list(reader.fieldnames or []), list(reader)
