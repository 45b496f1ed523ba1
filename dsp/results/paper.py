"""The paper that pictures of a take are drawn on: colours, the strings' lanes with their names, and the times below."""

import math
from collections.abc import Callable

from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.results.overview_layout import LEFT, Row
from thumbline.dsp.results.sheet import Sheet, font_of
from thumbline.dsp.rig.model import Rig

#: The bass line.
BASS = "#0f3443"
#: Notes of the guitar, and their edges.
GUITAR = "#8f8877"
GUITAR_EDGE = "#6b6455"
#: Where the bass passes to another string, and bar lines.
STEP = "#6f8590"
BAR = "#87806f"
#: A lane.
BAND = "#f4f1eb"
#: Words, and words that matter less.
INK = "#1d2226"
QUIET = "#5f6669"
#: Mistakes: vermilion, which eyes that tell red from green badly see too.
WRONG = "#d55e00"

#: The smallest words, in pixels: half as wide the picture can still be read.
SMALL = 16.0
#: Left of the strings' numbers, in pixels.
MARGIN = 20
#: Steps of the times that are written, in seconds; longer ones are whole hours.
STEPS_S = (0.1, 0.2, 0.5, 1, 2, 5, 10, 15, 30, 60, 120, 300, 600, 900, 1800, 3600)
#: Two times stand this far apart at least, in pixels.
LEAST_STEP_PX = 80


def printed(name: str) -> str:
    """Return the name of a note with the sign for sharp."""
    return name.replace("#", "\N{MUSIC SHARP SIGN}")


def draw_lanes(
    sheet: Sheet, row: Row, rig: Rig, right: float, size: float, strips: tuple[tuple[float, float], ...] = ()
) -> None:
    """Draw the lanes of a row up to ``right``, with the strings' numbers and notes, ``size`` pixels high.

    ``strips`` are further bands: their tops and bottoms.
    """
    lanes = [(row.lane_top(s), row.lane_top(s) + row.lane_px) for s in range(1, row.strings + 1)]
    sheet.boxes([(LEFT, top, right, bottom) for top, bottom in (*lanes, *strips)], BAND)
    for string, (top, bottom) in enumerate(lanes, 1):
        baseline = (top + bottom) / 2 + 0.36 * size
        sheet.words(MARGIN, baseline, str(string), font_of(size, "bold"), INK)
        name = printed(midi_to_note(float(rig.open_midi[string - 1])))
        sheet.words(LEFT - 12, baseline, name, font_of(size), QUIET, "right")


def draw_times(sheet: Sheet, row: Row, bottom: float, baseline: float, clock: Callable[[float], str]) -> None:
    """Draw white lines at even times from the top of a row to ``bottom``, and the times on ``baseline``."""
    px_per_s = row.px_per_s
    step = next((s for s in STEPS_S if s * px_per_s >= LEAST_STEP_PX), 3600 * math.ceil(0.02 / px_per_s))
    ticks = [k * step for k in range(math.ceil(row.start_s / step), math.floor(row.end_s / step) + 1)]
    sheet.lines([(row.x(time_s), row.top, row.x(time_s), bottom) for time_s in ticks], "white", 1.5)
    for time_s in ticks:
        sheet.words(row.x(time_s), baseline, clock(time_s), font_of(SMALL), QUIET, "center")
