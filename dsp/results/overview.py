"""The take at a glance: a picture with a lane for each string and the path of the bass through them.

All places are in pixels from the top left corner. The bass is dark and the guitar pale, so that the picture
reads the same printed in grey.
"""

import math
from bisect import bisect_right
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
from matplotlib.backends.backend_agg import FigureCanvasAgg
from numpy.typing import ArrayLike, NDArray

from thumbline.dsp.errors import printable
from thumbline.dsp.note_names import hz_to_midi, midi_to_note
from thumbline.dsp.processor.notes import Note, hand_overs
from thumbline.dsp.results.overview_layout import LEFT, RIGHT, Row, rows_of
from thumbline.dsp.results.paper import (
    BAND,
    BAR,
    BASS,
    GUITAR,
    GUITAR_EDGE,
    INK,
    MARGIN,
    QUIET,
    SMALL,
    STEP,
    draw_lanes,
    draw_times,
    printed,
)
from thumbline.dsp.results.sheet import FAMILY, Box, Sheet, drawable, font_of, text_width
from thumbline.dsp.rig.model import Rig

_SHARE_PX = 8
#: A string that has the bass for less is drawn as a bar, without a line there and back, in seconds.
BRIEF_S = 0.04
#: Bar numbers stand this far apart at least, in pixels.
_LEAST_BAR_PX = 60


def draw_overview(
    path: Path,
    *,
    title: str,
    seconds: float,
    rig: Rig,
    notes: Sequence[Note],
    bassline: Sequence[Note],
    pitch: Sequence[tuple[float, int, float]] = (),
    handover_s: Sequence[float] = (),
    bars: Sequence[tuple[int, float]] = (),
) -> None:
    """Write ``path``, a PNG picture of a take ``seconds`` long.

    ``notes`` are those of all strings, ``bassline`` those of the bass, as in the tables. ``pitch`` rows are
    (time in s, string, Hz); those of the bass are drawn as a line. ``handover_s`` are the hand-overs; where
    none lies between two bass notes, the onset of the second is taken. ``bars`` are numbers and beginnings (s)
    of the bars, if they are known. All are in the order of time. In the lanes notes are named as played, in the
    bass line as heard. The same take gives the same bytes, with the same matplotlib and fonts.

    Raises ValueError unless ``seconds`` is finite and not below 0, OSError if ``path`` cannot be written.
    """
    if not (math.isfinite(seconds) and seconds >= 0.0):
        raise ValueError(f"seconds is {seconds}; accepted: a finite number from 0")
    rows = rows_of(seconds, rig.string_count, len(bassline))
    sheet = Sheet(rows[-1].bottom)
    counts = (
        (rig.string_count, "string"),
        (len(notes), "note"),
        (len(bassline), "bass note"),
        (hand_overs(bassline), "hand-over"),
    )
    facts = [_clock(seconds, seconds), *(f"{n:,} {name}{'' if n == 1 else 's'}" for n, name in counts)]
    _draw_header(sheet, title, "  \N{MIDDLE DOT}  ".join(facts), rows[0].shows_notes)
    guitar = _without(notes, bassline, 4 / rows[0].px_per_s) if rows[0].shows_notes else notes
    trace = _bass_pitch(pitch if rows[0].shows_notes else (), bassline, rig.instrument.a4_hz)
    keys = [note.midi for note in bassline]
    for row in rows:
        _draw_paper(sheet, row, rig, seconds)
        _draw_bars(sheet, row, bars)
        if row.shows_notes:
            _draw_notes(sheet, row, row.of(guitar), row.guitar_px, GUITAR)
            _draw_path(sheet, row, bassline, handover_s)
            _draw_notes(sheet, row, row.of(bassline), row.bass_px, BASS)
        else:
            _draw_shares(sheet, row, row.of(guitar), GUITAR)
            _draw_shares(sheet, row, row.of(bassline), BASS)
        if bassline:
            _draw_contour(sheet, row, row.of(bassline), trace, (min(keys), max(keys)), rig.bass.interval)
    if not notes:
        middle = rows[0].lane_top((rig.string_count + 1) // 2) + rows[0].lane_px / 2
        sheet.words((LEFT + RIGHT) / 2, middle + 5, "no notes", font_of(16.0), QUIET, "center")
    FigureCanvasAgg(sheet.figure).print_png(path, metadata={"Software": "Thumbline"})


def _draw_header(sheet: Sheet, title: str, facts: str, shows_notes: bool) -> None:
    x = float(RIGHT)
    for word in ("hand-over" if shows_notes else "height: share of the time", "guitar", "bass"):
        x -= text_width(word, font_of(18.0))
        sheet.words(x, 41, word, font_of(18.0), INK)
        if word == "hand-over":
            corners = ((x - 32, 29), (x - 21, 29), (x - 21, 41), (x - 10, 41))
            sheet.lines([(*a, *b) for a, b in pairwise(corners)], STEP, 2)
        elif word in ("guitar", "bass"):
            colour, edge = (GUITAR, GUITAR_EDGE) if word == "guitar" else (BASS, "none")
            sheet.boxes([(x - 36, 28, x - 10, 42)], colour, edge)
        x -= 30 if word.startswith("height") else 66
    text, fallback = drawable(printable(title))
    font = font_of(26.0, "bold" if fallback == FAMILY else "normal", fallback)
    if text_width(text, font) > x - MARGIN:
        cuts = [text[:length].rstrip() + "\N{HORIZONTAL ELLIPSIS}" for length in range(len(text))]
        text = cuts[bisect_right(cuts, x - MARGIN, key=lambda cut: text_width(cut, font)) - 1]
    sheet.words(MARGIN, 42, text, font, INK)
    sheet.words(MARGIN, 68, facts, font_of(17.0), QUIET)


def _draw_paper(sheet: Sheet, row: Row, rig: Rig, seconds: float) -> None:
    """Draw the lanes, their names and the time."""
    right = row.x(row.end_s) if seconds else RIGHT
    strip = (row.strip_top, row.strip_top + row.strip_px)
    draw_lanes(sheet, row, rig, right, min(18.0, row.lane_px - 3), (strip,))
    sheet.words(MARGIN, sum(strip) / 2 + 2, "bass", font_of(SMALL, "bold"), INK)
    if row.strip_px > 100:
        sheet.words(MARGIN, sum(strip) / 2 + 20, "as heard", font_of(SMALL), QUIET)
    draw_times(sheet, row, strip[1], strip[1] + 20, lambda time_s: _clock(time_s, seconds))


def _draw_bars(sheet: Sheet, row: Row, bars: Sequence[tuple[int, float]]) -> None:
    """Draw a thin line where each bar begins, and number as many as there is room for."""
    bottom = row.strip_top + row.strip_px
    inside = [(number, row.x(at_s)) for number, at_s in bars if row.start_s <= at_s < row.end_s]
    sheet.lines([(x, row.top, x, bottom) for _, x in inside], BAR, 1.0)
    last = -math.inf
    for number, x in inside:
        if x - last >= _LEAST_BAR_PX:
            sheet.words(x, row.top - 5, str(number), font_of(SMALL), QUIET, "center")
            last = x


def _draw_notes(sheet: Sheet, row: Row, notes: Sequence[Note], bar_px: float, colour: str) -> None:
    size = min(18.0, row.guitar_px - 2)
    bars: list[Box] = []
    names: list[tuple[float, float, str]] = []
    for note in notes:
        left, y = row.x(note.onset_s), row.y(note)
        right = max(row.x(note.offset_s) - 1, left + 1)  # a gap before a note that follows at once
        bars.append((left, y - bar_px / 2, right, y + bar_px / 2))
        name = printed(note.note)
        if note.onset_s >= row.start_s and right - left > text_width(name, font_of(size)) + 8:
            names.append((left + 5, y + 0.36 * size, name))
    sheet.boxes(bars, colour, GUITAR_EDGE if colour == GUITAR else "none")
    for x, y, name in names:
        sheet.words(x, y, name, font_of(size), "black" if colour == GUITAR else "white")


def _draw_path(sheet: Sheet, row: Row, bassline: Sequence[Note], handover_s: Sequence[float]) -> None:
    """Join the bass notes: along the lane while nothing sounds, from lane to lane at the hand-over."""
    waits: list[Box] = []
    steps: list[Box] = []
    for before, after in pairwise(note for note in bassline if note.offset_s - note.onset_s >= BRIEF_S):
        if before.offset_s > row.end_s or after.onset_s < row.start_s:
            continue
        silent_s = min(before.offset_s, after.onset_s)
        last = bisect_right(handover_s, after.onset_s) - 1
        at_s = handover_s[last] if last >= 0 and handover_s[last] >= silent_s else after.onset_s
        waits.append((row.x(silent_s), row.y(before), row.x(at_s), row.y(before)))
        waits.append((row.x(at_s), row.y(after), row.x(after.onset_s), row.y(after)))
        if row.start_s <= at_s < row.end_s:
            steps.append((row.x(at_s), row.y(before), row.x(at_s), row.y(after)))
    sheet.lines(steps, BAND, 5.0)
    sheet.lines([wait for wait in waits if wait[2] > wait[0]], BASS, 1.5)
    sheet.lines(steps, STEP, 2.0)


def _draw_shares(sheet: Sheet, row: Row, notes: Sequence[Note], colour: str) -> None:
    """Draw each lane as columns, each as high as the share of its time in which a note sounds."""
    lefts = np.arange(LEFT, row.x(row.end_s), _SHARE_PX)
    edges_s = row.start_s + (np.append(lefts, lefts[-1:] + _SHARE_PX) - LEFT) / row.px_per_s
    columns: list[Box] = []
    for string in range(1, row.strings + 1):
        spans = np.array([(n.onset_s, n.offset_s) for n in notes if n.string == string]).reshape(-1, 2)
        filled_s = _time_since(spans[:, 0], edges_s) - _time_since(spans[:, 1], edges_s)
        heights = np.clip(np.diff(filled_s) / np.diff(edges_s), 0, 1) * row.lane_px
        bottom = row.lane_top(string) + row.lane_px
        columns += [(x, bottom - h, x + _SHARE_PX, bottom) for x, h in zip(lefts, heights, strict=True)]
    sheet.boxes(columns, colour)
    if colour == GUITAR:
        tops = [(left, top, right, top) for left, top, right, bottom in columns if bottom - top > 0.5]
        sheet.lines(tops, GUITAR_EDGE, 1)


def _draw_contour(
    sheet: Sheet,
    row: Row,
    bassline: Sequence[Note],
    trace: NDArray[np.float64],
    ends: tuple[float, float],
    interval: float,
) -> None:
    """Draw the bass by pitch, lowest to highest (``ends``), with as many names as there is room for.

    Names are of the notes as heard, ``interval`` semitones from those played.
    """
    low, high = ends
    centre, room = row.strip_top + row.strip_px / 2, row.strip_px / 2 - (24 if row.shows_notes else 10)

    def heard(midi: float) -> str:
        return printed(midi_to_note(midi + interval))

    px_per_key = room / max((high - low) / 2, 3.0)

    def y(key: ArrayLike) -> NDArray[np.float64]:
        return centre - np.clip(px_per_key * (np.asarray(key) - (low + high) / 2), -room - 4, room + 4)

    for key in {low, high}:
        sheet.words(LEFT - 12, float(y(key)) + 6, heard(key), font_of(SMALL), QUIET, "right")
    seen = trace[(trace[:, 0] >= row.start_s) & (trace[:, 2] <= row.end_s)]
    x = LEFT + (seen[:, ::2] - row.start_s) * row.px_per_s
    sheet.lines(np.column_stack((x[:, 0], y(seen[:, 1]), x[:, 1], y(seen[:, 3]))), BASS, 1.2)
    lefts = [row.x(note.onset_s) for note in bassline]
    rights = [max(row.x(note.offset_s) - 1, left + 1.5) for note, left in zip(bassline, lefts, strict=True)]
    middles = y([note.midi for note in bassline])
    dashes: list[Box] = [(*box,) for box in zip(lefts, middles - 2, rights, middles + 2, strict=True)]
    sheet.boxes(dashes, BASS)
    names: list[Box] = []
    for index, (note, (left, top, _, bottom)) in enumerate(zip(bassline, dashes, strict=True)):
        right = left + text_width(heard(note.midi), font_of(SMALL)) + 3
        if not row.shows_notes or note.onset_s < row.start_s or right > RIGHT:
            continue
        near = dashes[max(index - 4, 0) : index + 5] + names[-6:]
        for place in ((left, top - 18, right, top - 2), (left, bottom + 2, right, bottom + 18)):
            if not any(_overlap(place, other) for other in near):
                sheet.words(left, place[3] - 2, heard(note.midi), font_of(SMALL), INK)
                names.append(place)
                break


def _overlap(a: Box, b: Box) -> bool:
    return a[0] < b[2] and b[0] < a[2] and a[1] < b[3] and b[1] < a[3]


def _time_since(times_s: NDArray[np.float64], edges_s: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return, for each edge, the time in s since each of ``times_s`` before it, summed."""
    times_s = np.sort(times_s)
    passed = np.searchsorted(times_s, edges_s)
    return passed * edges_s - np.append(0.0, np.cumsum(times_s))[passed]


def _without(notes: Sequence[Note], bassline: Sequence[Note], least_s: float) -> list[Note]:
    """Return the parts of ``notes`` during which their string is not the bass; none shorter than ``least_s``."""
    strings: dict[int, list[Note]] = {}
    for bass in bassline:
        strings.setdefault(bass.string, []).append(bass)
    pieces: list[Note] = []
    for note in notes:
        spans = strings.get(note.string, [])
        start_s = note.onset_s
        for bass in spans[bisect_right(spans, start_s, key=lambda span: span.offset_s) :]:
            if bass.onset_s >= note.offset_s:
                break
            if bass.onset_s - start_s >= least_s:
                pieces.append(replace(note, onset_s=start_s, offset_s=bass.onset_s))
            start_s = bass.offset_s
        if start_s == note.onset_s or note.offset_s - start_s >= least_s:
            pieces.append(replace(note, onset_s=start_s))
    return pieces


def _bass_pitch(
    pitch: Sequence[tuple[float, int, float]], bassline: Sequence[Note], a4_hz: float
) -> NDArray[np.float64]:
    """Return the pitch of the bass as short lines, (n, 4): time in s and key number of both ends."""
    spans = np.array([(note.onset_s, note.offset_s, note.string) for note in bassline]).reshape(-1, 3)
    rows = np.array(pitch if bassline else (), np.float64).reshape(-1, 3)
    index = np.searchsorted(spans[:, 0], rows[:, 0], "right") - 1
    is_bass = (index >= 0) & (rows[:, 0] < spans[index, 1]) & (rows[:, 1] == spans[index, 2])
    points = np.column_stack((rows[is_bass, 0], hz_to_midi(rows[is_bass, 2], a4_hz)))
    lines = np.hstack((points[:-1], points[1:]))
    joined = (np.diff(index[is_bass]) == 0) & (np.diff(points[:, 0]) < 0.05) & np.isfinite(lines).all(axis=1)
    return lines[joined]


def _clock(time_s: float, seconds: float) -> str:
    """Return a time in a take ``seconds`` long: in seconds, over two minutes as m:ss."""
    if seconds <= 120.0:
        return f"{round(time_s, 1):g} s"
    minutes, second = divmod(round(time_s), 60)
    hours, minute = divmod(minutes, 60)
    return f"{hours}:{minute:02d}:{second:02d}" if hours else f"{minute}:{second:02d}"
