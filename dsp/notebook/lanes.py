"""The take as the processor hears it: a lane for each string with its level, thresholds, notes, and the bass.

What no threshold changes is drawn once and kept, so that the rest can follow a slider.
"""

from collections.abc import Sequence
from io import BytesIO
from itertools import pairwise
from typing import Any

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.collections import LineCollection, PolyCollection
from matplotlib.figure import Figure
from matplotlib.text import Text
from numpy.typing import NDArray
from PIL import Image

from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.notebook.figures import DPI, WIDTH_PX, Picture
from thumbline.dsp.notebook.levels import Levels
from thumbline.dsp.notebook.workbench import Decisions, Reference, Workbench
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.results.paper import BAND, BASS, GUITAR, GUITAR_EDGE, INK, QUIET, STEP
from thumbline.dsp.results.sheet import FAMILY
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.score import Mistake

#: Levels from the foot to the top of a lane's lower part, in dBFS.
FOOT_DB, TOP_DB = -96.0, 0.0
_LANE_PX, _GAP_PX, _LEFT, _RIGHT, _HEAD, _FOOT = 92, 6, 92, 84, 58, 34
_BAR_TOP, _BAR_PX, _LEVEL_TOP = 5, 15, 24
_TICKS_S = (0.01, 0.02, 0.05, 0.1, 0.2, 0.5, 1, 2, 5, 10, 20, 60)
_DASHED, _DOTTED = (0, (6, 3)), (0, (1.5, 2))

Box = tuple[float, float, float, float]


class LanesPicture:
    """Draws a take, or a part of it, again and again; places are in pixels from the top left corner.

    ``seconds`` is the length of the stretch that is drawn, which begins at ``begin_s`` of the take.
    """

    def __init__(self, rig: Rig, levels: Levels, seconds: float, begin_s: float = 0.0) -> None:
        self.rig, self.seconds, self.begin_s = rig, seconds, begin_s
        n = rig.string_count
        self._height = _HEAD + n * (_LANE_PX + _GAP_PX) + _FOOT
        self._figure = Figure(figsize=(WIDTH_PX / DPI, self._height / DPI), dpi=DPI, facecolor="white")
        self._canvas = FigureCanvasAgg(self._figure)
        self._canvas.draw()
        self._draw_paper()
        for string in range(1, n + 1):
            shown = (levels.times_s >= begin_s) & (levels.times_s <= begin_s + seconds)
            self._draw_level(string, levels.times_s[shown], levels.loudest_db[shown, string - 1])
        self._draw_floor()
        self._draw_key()
        self._background: Any = self._canvas.copy_from_bbox(self._figure.bbox)

    def draw(self, decisions: Decisions, reference: Reference, moment_s: float | None = None) -> Picture:
        """Return the picture with what was decided, and a line at ``moment_s``."""
        self._canvas.restore_region(self._background)
        self._draw_thresholds(decisions.rig)
        self._draw_notes(decisions.notes, GUITAR, GUITAR_EDGE, _BAR_PX - 4)
        self._draw_path(decisions.bassline)
        self._draw_notes(decisions.bassline, BASS, BASS, _BAR_PX)
        self._draw_mistakes([each for each in decisions.mistakes if self._shows(each.begin_s, each.end_s)])
        self._draw_unmatched(decisions)
        if moment_s is not None:
            self._draw_moment(moment_s)
        words = in_words(decisions, reference)
        self._words(_LEFT, 20, words, 12, INK, "bold")
        pixels = np.asarray(self._canvas.buffer_rgba())[:, :, :3]
        file = BytesIO()
        Image.fromarray(pixels).save(file, "png", compress_level=1)
        return Picture(file.getvalue(), words)

    def _x(self, time_s: float) -> float:
        share = (time_s - self.begin_s) / self.seconds if self.seconds else 0.0
        return _LEFT + min(max(share, 0.0), 1.0) * (WIDTH_PX - _LEFT - _RIGHT)

    def _shows(self, begin_s: float, end_s: float) -> bool:
        return end_s > self.begin_s and begin_s < self.begin_s + self.seconds

    def _top(self, string: int) -> float:
        return _HEAD + (string - 1) * (_LANE_PX + _GAP_PX)

    def _y(self, string: int, db: float) -> float:
        share = (min(max(db, FOOT_DB), TOP_DB) - FOOT_DB) / (TOP_DB - FOOT_DB)
        return self._top(string) + _LANE_PX - share * (_LANE_PX - _LEVEL_TOP)

    def _put(self, artist: Any) -> None:
        artist.set_figure(self._figure)
        artist.draw(self._canvas.get_renderer())

    def _flipped(self, points: Sequence[Any]) -> list[NDArray[np.float64]]:
        return [np.asarray(each, float) * (1.0, -1.0) + (0.0, self._height) for each in points]

    def _boxes(self, boxes: Sequence[Box], face: str, edge: str = "none", hatch: str | None = None) -> None:
        corners = [[(a, b), (c, b), (c, d), (a, d)] for a, b, c, d in boxes]
        self._put(PolyCollection(self._flipped(corners), facecolors=face, edgecolors=edge, linewidths=0.8, hatch=hatch))

    def _lines(self, lines: Sequence[Box], colour: str, width: float, style: Any = "solid") -> None:
        ends = [[(a, b), (c, d)] for a, b, c, d in lines]
        self._put(LineCollection(self._flipped(ends), colors=colour, linewidths=width, linestyles=style))

    def _words(
        self, x: float, y: float, text: str, size: float, colour: str, weight: str = "normal", align: str = "left"
    ) -> Text:
        """Write, with the baseline at ``y``."""
        size *= 72 / DPI
        artist = Text(x, self._height - y, text, color=colour, fontsize=size, fontfamily=FAMILY, fontweight=weight)
        artist.set(horizontalalignment=align, parse_math=False)
        self._put(artist)
        return artist

    def _end_of(self, words: Text) -> float:
        return float(words.get_window_extent(self._canvas.get_renderer()).x1)

    def _draw_paper(self) -> None:
        right, n = WIDTH_PX - _RIGHT, self.rig.string_count
        bottom = self._top(n) + _LANE_PX
        self._boxes([(_LEFT, self._top(s), right, self._top(s) + _LANE_PX) for s in range(1, n + 1)], BAND)
        step = next((each for each in _TICKS_S if each / max(self.seconds, 1e-9) * (right - _LEFT) >= 60), 300)
        first = int(np.ceil(self.begin_s / step - 1e-9))
        ticks = [k * step for k in range(first, int((self.begin_s + self.seconds) / step + 1e-9) + 1)]
        self._lines([(self._x(t), _HEAD, self._x(t), bottom) for t in ticks], "white", 1.2)
        for time_s in ticks:
            self._words(self._x(time_s), bottom + 18, f"{time_s:g} s", 11, QUIET, align="center")
        for s in range(1, n + 1):
            middle = self._top(s) + _LANE_PX / 2
            self._words(10, middle + 5, str(s), 15, INK, "bold")
            self._words(28, middle + 5, midi_to_note(self.rig.open_midi[s - 1]), 12, QUIET)
            for db in (-80, -40):
                self._words(_LEFT - 6, self._y(s, db) + 4, str(db), 9, QUIET, align="right")

    def _draw_level(self, string: int, times_s: NDArray[np.floating[Any]], level_db: NDArray[np.float64]) -> None:
        foot = self._top(string) + _LANE_PX
        xs = _LEFT + (times_s - self.begin_s) / max(self.seconds, 1e-9) * (WIDTH_PX - _LEFT - _RIGHT)
        share = (np.clip(level_db, FOOT_DB, TOP_DB) - FOOT_DB) / (TOP_DB - FOOT_DB)
        ys = foot - share * (_LANE_PX - _LEVEL_TOP)
        if len(xs):
            outline = np.column_stack([np.r_[xs[0], xs, xs[-1]], np.r_[foot, ys, foot]])
            shape = PolyCollection(self._flipped([outline]), facecolors="#e2dccf", edgecolors=GUITAR_EDGE)
            shape.set_linewidth(0.7)
            self._put(shape)

    def _draw_floor(self) -> None:
        floor_db = self.rig.detect.floor_db
        if not isinstance(floor_db, str):
            ys = [self._y(string, db) for string, db in enumerate(floor_db, 1)]
            self._lines([(_LEFT, y, WIDTH_PX - _RIGHT, y) for y in ys], QUIET, 0.8)

    def _draw_thresholds(self, rig: Rig) -> None:
        right = WIDTH_PX - _RIGHT
        labels = [""] * rig.string_count
        for key, style in (("on_db", _DASHED), ("off_db", _DOTTED)):
            values = getattr(rig.detect, key)
            if isinstance(values, str):
                continue
            self._lines(
                [(_LEFT, y, right, y) for y in map(self._y, range(1, len(values) + 1), values)], INK, 1.1, style
            )
            labels = [f"{label}{key[:-3]} {db:.1f}\n" for label, db in zip(labels, values, strict=True)]
        for string, label in enumerate(labels, 1):
            self._words(right + 6, self._top(string) + _LANE_PX - 8, label.strip(), 11, INK)

    def _draw_notes(self, notes: Sequence[Note], colour: str, edge: str, height: float) -> None:
        boxes: list[Box] = []
        for note in notes:
            if not self._shows(note.onset_s, note.offset_s):
                continue
            middle = self._top(note.string) + _BAR_TOP + _BAR_PX / 2
            left, right = self._x(note.onset_s), max(self._x(note.offset_s) - 1, self._x(note.onset_s) + 1)
            boxes.append((left, middle - height / 2, right, middle + height / 2))
        self._boxes(boxes, colour, edge)

    def _draw_path(self, bassline: Sequence[Note]) -> None:
        steps: list[Box] = []
        for before, after in pairwise(bassline):
            if not self._shows(after.onset_s, after.onset_s + 1e-9):
                continue
            x = self._x(after.onset_s)
            tops = [self._top(note.string) + _BAR_TOP + _BAR_PX / 2 for note in (before, after)]
            if before.string != after.string and after.onset_s - before.offset_s < 0.05:
                steps.append((x, tops[0], x, tops[1]))
        self._lines(steps, STEP, 0.8)

    def _draw_mistakes(self, mistakes: Sequence[Mistake]) -> None:
        """Hatch the lane of the true bass while it is missed, and cross out the one that has the bass instead."""
        spans = [(self._x(each.begin_s), self._x(each.end_s), each) for each in mistakes]

        def lanes(of: str) -> list[Box]:
            return [
                (left, self._top(getattr(each, of)), max(right, left + 2), self._top(getattr(each, of)) + _LANE_PX)
                for left, right, each in spans
                if getattr(each, of)
            ]

        for of, hatch in (("true_string", "///"), ("found_string", "xxx")):
            boxes = lanes(of)
            if boxes:
                self._boxes(boxes, "none", INK, hatch)

    def _draw_unmatched(self, decisions: Decisions) -> None:
        """Hatch where the bar of a note that was missed would be, and cross out the bar of one that nobody played."""
        for notes, hatch in ((decisions.missed, "//////"), (decisions.false, "xxxxxx")):
            boxes: list[Box] = []
            for note in notes:
                if self._shows(note.onset_s, note.offset_s):
                    top, left = self._top(note.string) + _BAR_TOP, self._x(note.onset_s)
                    boxes.append((left, top, max(self._x(note.offset_s) - 1, left + 3), top + _BAR_PX))
            if boxes:
                self._boxes(boxes, "none", INK, hatch)

    def _draw_moment(self, moment_s: float) -> None:
        x, bottom = self._x(moment_s), self._top(self.rig.string_count) + _LANE_PX
        self._lines([(x, _HEAD - 4, x, bottom + 4)], INK, 1.6)
        triangle = [[(x - 6, _HEAD - 12), (x + 6, _HEAD - 12), (x, _HEAD - 3)]]
        self._put(PolyCollection(self._flipped(triangle), facecolors=INK))

    def _draw_key(self) -> None:
        x, y = float(_LEFT), 42
        for word, colour, edge, hatch in (
            ("bass", BASS, BASS, None),
            ("other notes", GUITAR, GUITAR_EDGE, None),
            ("bass or note missed", "none", INK, "///"),
            ("wrongly found", "none", INK, "xxx"),
        ):
            self._boxes([(x, y - 10, x + 22, y + 1)], colour, edge, hatch)
            x = self._end_of(self._words(x + 28, y, word, 11, INK)) + 22
        for word, style in (("on: begins to sound above", _DASHED), ("off: silent below", _DOTTED)):
            self._lines([(x, y - 4, x + 24, y - 4)], INK, 1.2, style)
            x = self._end_of(self._words(x + 30, y, word, 11, INK)) + 22
        self._lines([(x, y - 4, x + 24, y - 4)], QUIET, 0.8)
        self._words(x + 30, y, "floor", 11, INK)


def picture_lanes(bench: Workbench, rig: Rig | None = None, moment_s: float | None = None) -> Picture:
    """Draw a take on the bench as ``rig`` (default: as loaded) hears it and decides about it."""
    lanes = LanesPicture(rig or bench.rig, bench.levels(rig), bench.seconds)
    return lanes.draw(bench.decisions(rig), bench.reference, moment_s)


def in_words(decisions: Decisions, reference: Reference) -> str:
    """Return how good the decisions are, in a line."""
    missed = len(decisions.missed)
    counted = f"{missed} note{'' if missed == 1 else 's'} missed, {len(decisions.false)} false"
    if decisions.right is None:
        return f"{len(decisions.bassline)} bass notes; none to compare them with; {counted}"
    wrong_s = sum(each.end_s - each.begin_s for each in decisions.mistakes)
    places = len(decisions.mistakes)
    against = "the notes that were played" if reference.kind == "truth" else "the rig when it was loaded"
    wrong = f"wrong for {wrong_s:.2f} s, at {places} place{'' if places == 1 else 's'}" if places else "never wrong"
    return f"Bass path {100 * decisions.right:.2f} % right against {against}; {wrong}; {counted}"
