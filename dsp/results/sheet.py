"""A sheet to draw on: boxes, lines and words, placed in pixels from the top left corner."""

from functools import lru_cache
from typing import Literal

import numpy as np
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties, findfont, fontManager, get_font
from matplotlib.text import Text
from matplotlib.textpath import text_to_path
from matplotlib.transforms import Affine2D
from numpy.typing import ArrayLike

WIDTH = 1600
FAMILY = "DejaVu Sans"  # comes with matplotlib, so the picture is the same everywhere

Box = tuple[float, float, float, float]  # left, top, right, bottom; of a line: its two ends


class Sheet:
    """A figure that takes boxes, lines and words; what comes later lies on top."""

    def __init__(self, height: float) -> None:
        # At 72 dots an inch a point is a pixel.
        self.figure = Figure(figsize=(WIDTH / 72, height / 72), dpi=72, facecolor="white")
        self._place = {"transform": Affine2D().scale(1, -1).translate(0, height), "zorder": 1}

    def boxes(self, boxes: ArrayLike, colour: str, edge: str = "none") -> None:
        """Fill ``boxes``, (n, 4)."""
        corners = np.reshape(boxes, (-1, 4))[:, [0, 1, 2, 1, 2, 3, 0, 3]].reshape(-1, 4, 2)
        artist = PolyCollection(list(corners), facecolors=colour, edgecolors=edge, linewidths=edge != "none")
        artist.set(**self._place)
        self.figure.add_artist(artist)

    def lines(self, lines: ArrayLike, colour: str, width: float) -> None:
        """Draw straight ``lines``, (n, 4), half their width longer than said at both ends."""
        ends = np.reshape(lines, (-1, 2, 2))
        artist = LineCollection(list(ends), colors=colour, linewidths=width, capstyle="projecting")
        artist.set(**self._place)
        self.figure.add_artist(artist)

    def words(
        self,
        x: float,
        y: float,
        text: str,
        font: FontProperties,
        colour: str,
        align: Literal["left", "center", "right"] = "left",
    ) -> None:
        """Write ``text``, in which no character has a meaning of its own, with its baseline at ``y``."""
        artist = Text(x, y, text, color=colour, fontproperties=font, usetex=False, parse_math=False)
        artist.set(**self._place, horizontalalignment=align)
        self.figure.add_artist(artist)


@lru_cache
def font_of(size: float, weight: str = "normal", fallback: str = FAMILY) -> FontProperties:
    """Return our font, ``size`` pixels high, followed by the one for what it lacks."""
    return FontProperties(family=[FAMILY, fallback], size=size, weight=weight)


@lru_cache(maxsize=1024)
def text_width(text: str, font: FontProperties) -> float:
    """Return how wide ``text`` is, in pixels."""
    return text_to_path.get_text_width_height_descent(text, font, ismath=False)[0]


def drawable(text: str) -> tuple[str, str]:
    """Return ``text`` and a font for what ours lacks, or white squares for it if there is none."""
    missing = set(text) - _characters(findfont(FontProperties(family=FAMILY)))
    plain = (font for font in fontManager.ttflist if font.weight == 400 and font.style == "normal")
    for font in sorted(plain, key=lambda font: font.name) if missing else ():
        # A font of last resort has a box for every character.
        if "lastresort" not in font.name.replace(" ", "").lower() and missing <= _characters(font.fname):
            return text, font.name
    return "".join("\N{WHITE SQUARE}" if c in missing else c for c in text), FAMILY


def _characters(file: str) -> set[str]:
    try:
        font = get_font(file)
    except (OSError, RuntimeError):
        return set()
    return set(map(chr, font.get_charmap())) if font.scalable else set()
