"""Where a result went wrong: the true bass and the found one, lane by lane, and the worst moments closer.

All places are in pixels from the top left corner. Mistakes lie in a strip of their own as well, so that they are found
in print too.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from io import BytesIO

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.typing import NDArray

from thumbline.dsp.errors import printable
from thumbline.dsp.results.overview_layout import LEFT, RIGHT, Row, rows_of
from thumbline.dsp.results.paper import BASS, GUITAR, INK, MARGIN, QUIET, WRONG, draw_lanes, draw_times
from thumbline.dsp.results.sheet import Box, Sheet, drawable, font_of, text_width
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.moments import Moment, worst
from thumbline.dsp.scoring.score import Score
from thumbline.dsp.scoring.true_bass import STEP_S, Spanned, TrueBass

TRUE = GUITAR
FOUND = BASS
RIGHT_STRIP = "#9aa7a9"

CLOSE_S, MOST_CLOSE = 2.0, 5
_HEADER, _WORDS, _STRIP_GAP, _STRIP, _AXIS = 100, 30, 6, 10, 40


@dataclass(frozen=True)
class _Page:
    """What is drawn in every row."""

    sheet: Sheet
    score: Score
    truth: TrueBass
    bassline: Sequence[Spanned]
    rig: Rig


def draw_score(
    *, title: str, seconds: float, rig: Rig, score: Score, truth: TrueBass, bassline: Sequence[Spanned]
) -> bytes:
    """Return a PNG picture of a take ``seconds`` long. ``bassline`` is what was scored.

    Raises ValueError unless ``seconds`` is finite and not below 0.
    """
    if not (math.isfinite(seconds) and seconds >= 0.0):
        raise ValueError(f"seconds is {seconds}; accepted: a finite number from 0")
    end_s = max(seconds, truth.end_s)
    rows = _placed(rows_of(end_s, rig.string_count, 0), _HEADER, 0)
    close = worst(score, MOST_CLOSE, min(CLOSE_S, end_s))
    close_rows = [
        replace(rows[0], start_s=begin_s, end_s=begin_s + CLOSE_S, span_s=CLOSE_S, lane_px=max(rows[0].lane_px, 20.0))
        for begin_s, _ in close
    ]
    close_rows = _placed(close_rows, _bottom(rows[-1]) + 12, _WORDS)
    page = _Page(Sheet(_bottom((close_rows or rows)[-1])), score, truth, bassline, rig)
    _draw_header(page, title)
    for row in rows:
        _draw_row(page, row)
    _mark_close_rows(page, rows, close)
    for number, (row, (_, moments)) in enumerate(zip(close_rows, close, strict=True), 1):
        _draw_row(page, row)
        _draw_words(page, row, number, moments)
    picture = BytesIO()
    FigureCanvasAgg(page.sheet.figure).print_png(picture, metadata={"Software": "Thumbline"})
    return picture.getvalue()


def _placed(rows: Sequence[Row], top: float, words_px: float) -> list[Row]:
    """Stack rows below ``top``, each with room for words above it."""
    placed: list[Row] = []
    for row in rows:
        top += words_px
        placed.append(replace(row, top=top, lane_px=min(row.lane_px, 34.0)))
        top = _bottom(placed[-1])
    return placed


def _strip_top(row: Row) -> float:
    return row.lane_top(row.strings) + row.lane_px + _STRIP_GAP


def _bottom(row: Row) -> float:
    return _strip_top(row) + _STRIP + _AXIS


def _draw_header(page: _Page, title: str) -> None:
    sheet, score = page.sheet, page.score
    x = float(RIGHT)
    for words in ("wrong", "missed note", "found bass", "true bass"):
        x -= text_width(words, font_of(13.0))
        sheet.words(x, 40, words, font_of(13.0), INK)
        colour = {"wrong": WRONG, "missed note": "none", "found bass": FOUND, "true bass": TRUE}[words]
        half = 3 if words == "found bass" else 7
        sheet.boxes([(x - 36, 35 - half, x - 10, 35 + half)], colour, WRONG if words == "missed note" else "none")
        x -= 62
    text, fallback = drawable(printable(title))
    font = font_of(24.0, "bold", fallback)
    while len(text) > 1 and text_width(text, font) > x - MARGIN:
        text = text[:-2] + "\N{HORIZONTAL ELLIPSIS}"
    sheet.words(MARGIN, 42, text, font, INK)
    tolerance_s, rates = next(iter(score.bass.items()))
    facts = [
        "nothing to ask for" if score.path_right is None else f"bass path {100 * score.path_right:.2f} % right",
        f"bass notes F {rates.f:.3f} at {1e3 * tolerance_s:.0f} ms",
        _count(len(score.mistakes), "stretch on the wrong string", "stretches on the wrong string"),
        _count(len(score.missed), "missed note"),
        _count(len(score.false), "false note"),
    ]
    sheet.words(MARGIN, 67, "  \N{MIDDLE DOT}  ".join(facts), font_of(13.0), QUIET)


def _count(number: int, one: str, many: str = "") -> str:
    return f"{number:,} {one if number == 1 else many or one + 's'}"


def _draw_row(page: _Page, row: Row) -> None:
    _draw_paper(page, row)
    sheet = page.sheet
    seen = [each for each in page.truth.stretches if each.onset_s < row.end_s and each.offset_s > row.start_s]
    sheet.boxes([_bar(row, each, row.lane_px - 4) for each in seen], TRUE)
    found = [each for each in page.bassline if each.onset_s < row.end_s and each.offset_s > row.start_s]
    sheet.boxes([_bar(row, each, max(5.0, row.lane_px / 3)) for each in found], FOUND)
    false = set(map(id, page.score.false))
    sheet.boxes([_bar(row, each, max(5.0, row.lane_px / 3)) for each in found if id(each) in false], WRONG)
    missed = [each for each in seen if each in page.score.missed]
    sheet.boxes([_bar(row, each, row.lane_px - 4) for each in missed], "none", WRONG)
    for mistake in page.score.mistakes:
        if mistake.found_string and mistake.begin_s < row.end_s and mistake.end_s > row.start_s:
            left, right = row.x(mistake.begin_s), max(row.x(mistake.end_s), row.x(mistake.begin_s) + 2)
            middle = row.lane_top(mistake.found_string) + row.lane_px / 2
            half = max(5.0, row.lane_px / 3) / 2
            sheet.boxes([(left, middle - half, right, middle + half)], WRONG)
    _draw_strip(page, row)


def _bar(row: Row, each: Spanned, height: float) -> Box:
    left = row.x(each.onset_s)
    middle = row.lane_top(each.string) + row.lane_px / 2
    return (left, middle - height / 2, max(row.x(each.offset_s) - 1, left + 1), middle + height / 2)


def _draw_paper(page: _Page, row: Row) -> None:
    sheet, top = page.sheet, _strip_top(row)
    draw_lanes(sheet, row, page.rig, row.x(row.end_s), min(14.0, row.lane_px - 2))
    sheet.words(MARGIN, top + _STRIP / 2 + 4, "right or wrong", font_of(11.0), QUIET)
    draw_times(sheet, row, top - _STRIP_GAP, top + _STRIP + 18, _clock)


def _draw_strip(page: _Page, row: Row) -> None:
    """Draw when the bass is asked for, and whether it is right then."""
    truth, top = page.truth, _strip_top(row)
    wrong = truth.asked & (page.score.found_string != truth.string)
    for which, colour, least_px in ((truth.asked & ~wrong, RIGHT_STRIP, 0.0), (wrong, WRONG, 3.0)):
        spans = _spans(which)
        seen = spans[(spans[:, 0] < row.end_s) & (spans[:, 1] > row.start_s)]
        boxes = [(row.x(a), top, max(row.x(b), row.x(a) + least_px), top + _STRIP) for a, b in seen.tolist()]
        page.sheet.boxes(boxes, colour)


def _spans(which: NDArray[np.bool_]) -> NDArray[np.float64]:
    """Return when ``which`` is true, (n, 2), in s."""
    edges = np.flatnonzero(np.diff(np.concatenate([[False], which, [False]]).astype(np.int8)))
    return edges.reshape(-1, 2).astype(np.float64) * STEP_S


def _mark_close_rows(page: _Page, rows: Sequence[Row], close: Sequence[tuple[float, Sequence[Moment]]]) -> None:
    """Number, above the rows, the stretches that are drawn closer below."""
    for number, (begin_s, _) in enumerate(close, 1):
        row = next((row for row in rows if row.start_s <= begin_s + CLOSE_S / 2 < row.end_s), rows[-1])
        left, right = row.x(begin_s), row.x(begin_s + CLOSE_S)
        page.sheet.lines([(left, row.top - 6, right, row.top - 6)], QUIET, 1.5)
        page.sheet.words((left + right) / 2, row.top - 10, str(number), font_of(12.0, "bold"), INK, "center")


def _draw_words(page: _Page, row: Row, number: int, moments: Sequence[Moment]) -> None:
    page.sheet.words(MARGIN, row.top - 9, str(number), font_of(14.0, "bold"), INK)
    text = ";  ".join(f"{each.begin_s:.2f} s: {each.words}" for each in moments)
    while len(text) > 1 and text_width(text, font_of(13.0)) > RIGHT - LEFT:
        text = text[:-2].rstrip() + "\N{HORIZONTAL ELLIPSIS}"
    page.sheet.words(LEFT, row.top - 9, text, font_of(13.0), INK)


def _clock(time_s: float) -> str:
    if time_s < 120.0:
        return f"{round(time_s, 1):g} s"
    return f"{int(time_s) // 60}:{time_s % 60:04.1f}".removesuffix(".0")
