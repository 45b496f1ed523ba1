"""Pictures for notebooks: what they share, and how a figure becomes one.

Colours are those of the overview; whatever differs in colour differs in line, hatching or words as well.
"""

import base64
from dataclasses import dataclass, field
from html import escape
from io import BytesIO
from typing import Any

from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure

from thumbline.dsp.results.paper import BAND, INK, QUIET
from thumbline.dsp.results.sheet import FAMILY

WIDTH_PX, DPI = 1200, 100


@dataclass(frozen=True)
class Picture:
    """A PNG picture that a notebook shows, with words for those who cannot see it."""

    png: bytes = field(repr=False)
    alt: str

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> tuple[dict[str, Any], dict[str, Any]]:
        """Return the picture and the words, as IPython asks for them, and the words as its alternative text.

        JupyterLab shows the first of these that it knows, and of a bare picture it would leave the words out.
        """
        data = base64.b64encode(self.png).decode()
        page = f'<img src="data:image/png;base64,{data}" alt="{escape(self.alt)}" style="max-width:100%">'
        return (
            {"text/html": page, "image/png": self.png, "text/plain": self.alt},
            {"image/png": {"alt": self.alt}},
        )


def new_figure(height_px: float, rows: int = 1, columns: int = 1, **options: Any) -> tuple[Figure, Any]:
    """Return a figure ``WIDTH_PX`` wide, and its axes: one, or an array of them."""
    figure = Figure(figsize=(WIDTH_PX / DPI, height_px / DPI), dpi=DPI, layout="constrained", facecolor="white")
    FigureCanvasAgg(figure)
    return figure, figure.subplots(rows, columns, **options)


def plain(axes: Axes, title: str = "", x: str = "", y: str = "") -> None:
    """Give axes the quiet look of the overview: a band to draw on, no frame, white lines."""
    axes.set_facecolor(BAND)
    for spine in axes.spines.values():
        spine.set_visible(False)
    axes.grid(True, color="white", linewidth=1.2)
    axes.set_axisbelow(True)
    axes.tick_params(colors=QUIET, labelsize=9, length=0)
    axes.set_title(title, loc="left", color=INK, fontsize=11, fontfamily=FAMILY, fontweight="bold")
    axes.set_xlabel(x, color=INK, fontsize=10, fontfamily=FAMILY)
    axes.set_ylabel(y, color=INK, fontsize=10, fontfamily=FAMILY)


def picture(figure: Figure, alt: str) -> Picture:
    """Return a figure as a picture."""
    file = BytesIO()
    figure.savefig(file, format="png", pil_kwargs={"compress_level": 3}, metadata={"Software": "Thumbline"})
    return Picture(file.getvalue(), alt)
