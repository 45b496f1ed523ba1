"""What the tests of the overview share: pictures, and where in them things lie."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
from matplotlib.colors import to_rgb
from matplotlib.image import imread
from matplotlib.text import Text
from numpy.typing import NDArray

from thumbline.dsp.note_names import midi_to_hz, midi_to_note
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.results.overview import draw_overview
from thumbline.dsp.results.overview_layout import LEFT, RIGHT
from thumbline.dsp.rig.model import Rig

OPEN_STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2", "B1", "F#1", "C#1", "A0"]

Picture = NDArray[np.float64]  # (height, width, 3), 0 black to 1
Place = tuple[int, int]  # first and one past the last pixel


def rig_of(strings: int, capo: int = 0) -> Rig:
    return Rig.model_validate({"instrument": {"strings": OPEN_STRINGS[:strings], "capo": capo}})


def note(string: int, onset_s: float, offset_s: float, fret: int = 0) -> Note:
    midi = float(Rig.model_validate({"instrument": {"strings": OPEN_STRINGS}}).open_midi[string - 1]) + fret
    hz = float(midi_to_hz(midi))
    return Note(onset_s, offset_s, string, fret, midi, midi_to_note(midi), hz, 0.0, 88)


def draw(
    folder: Path,
    seconds: float,
    notes: Sequence[Note],
    bassline: Sequence[Note],
    **more: Any,
) -> Picture:
    path = folder / "overview.png"
    given = {"title": "Low Tide", "rig": rig_of(6), **more}
    draw_overview(path, seconds=seconds, notes=notes, bassline=bassline, **given)
    return imread(path)[:, :, :3].astype(np.float64)


def is_colour(picture: Picture, colour: str) -> NDArray[np.bool_]:
    return np.logical_and.reduce(np.abs(picture - to_rgb(colour)) < 0.01, axis=-1)


def runs(flags: NDArray[np.bool_]) -> list[Place]:
    """First and one past the last index of each run of True."""
    edges = np.flatnonzero(np.diff(np.concatenate(([False], flags, [False])).astype(int)))
    return list(zip(edges[::2].tolist(), edges[1::2].tolist(), strict=True))


def bands(picture: Picture) -> list[Place]:
    """Top and bottom of the lanes, string 1 first, and of the bass line below them; of each row in turn."""
    column = runs(~is_colour(picture[:, LEFT + 3], "white"))
    return [(top, bottom) for top, bottom in column if bottom - top >= 15]  # words are lower than that


def seconds_of(picture: Picture, lane: Place, colour: str, seconds: float) -> list[tuple[float, float]]:
    """Times from and to which a lane holds bars of a colour, in a row of so many seconds."""
    filled = is_colour(picture[slice(*lane), LEFT:RIGHT], colour).sum(axis=0) > 8
    return [(a / (RIGHT - LEFT) * seconds, b / (RIGHT - LEFT) * seconds) for a, b in runs(filled)]


def contents(words: Sequence[Text]) -> list[str]:
    return [word.get_text() for word in words]
