"""What tests share: frames in which model strings are plucked, and the words of a picture."""

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np
import pytest

from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, damping, render_pluck

if TYPE_CHECKING:
    from matplotlib.text import Text

    from thumbline.dsp.processor.notes import Note

STANDARD_TUNING = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0)


@pytest.fixture(scope="session")
def play() -> Callable[..., Signal]:
    """Return a function that renders plucks, string number -> pluck, as frames (n, strings)."""

    def render(
        plucks: Mapping[int, Pluck],
        seconds: float,
        rate: int = 48_000,
        open_midi: tuple[float, ...] = STANDARD_TUNING,
        inharmonicity: float = 0.0,
    ) -> Signal:
        frames = np.zeros((round(seconds * rate), len(open_midi)))
        time = np.arange(len(frames)) / rate
        for number, pluck in plucks.items():
            string = GuitarString(open_midi[number - 1], inharmonicity, sensitivity=0.3)
            begin = int(np.searchsorted(time, pluck.start_s))
            note, _ = render_pluck(string, pluck, time[begin:] - pluck.start_s)
            frames[begin:, number - 1] = note * damping(time[begin:], pluck.stop_s, pluck.damp_s)
        return frames

    return render


@pytest.fixture
def words(monkeypatch: pytest.MonkeyPatch) -> "Callable[..., list[Text]]":
    """Return a function that draws an overview, but writes no file and returns the words of the picture."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg
    from matplotlib.figure import Figure
    from matplotlib.text import Text

    from thumbline.dsp.results.overview import draw_overview
    from thumbline.dsp.rig.model import Rig

    figures: list[Figure] = []
    monkeypatch.setattr(FigureCanvasAgg, "print_png", lambda self, *_, **__: figures.append(self.figure))

    def words(seconds: float, notes: "Sequence[Note]", bassline: "Sequence[Note]", **more: Any) -> list[Text]:
        given = {"title": "Low Tide", "rig": Rig(), **more}
        draw_overview(Path("nowhere.png"), seconds=seconds, notes=notes, bassline=bassline, **given)
        return [artist for artist in figures[-1].artists if isinstance(artist, Text)]

    return words
