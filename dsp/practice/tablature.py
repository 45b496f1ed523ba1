"""The bass line in tablature for a bass of four strings, with bar lines: as text, and as a picture.

Strings, frets and names are those of what is heard, an octave (or what the rig says) below the guitar's strings and
transposed if the set is. In the text a column is a part of a beat, as small as the notes need; in the picture place is
time, and the bar behind a fret number shows how long it rings. Below stand the names of the notes.
"""

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from typing import Any

import numpy as np

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.errors import printable
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.practice.bass_fingering import OPEN_MIDI, FingeredNote
from thumbline.dsp.processor.notes import Note

#: Columns of the text, at most.
LINE_WIDTH = 108
#: Columns a beat may have, and how near to a column notes must be on average for it to be enough, in beats.
SUBDIVISIONS, NEAR_ENOUGH_BEATS = (1, 2, 3, 4, 6, 8), 0.035
#: A note this little before a row begins is in that row, s.
EARLY_S = 0.06
#: Bars in a row of the picture, and its measures in pixels.
BARS_A_ROW = 4
LEFT, RIGHT = 90, 1568
_HEADER, _STRING_PX, _NAMES_PX, _GAP = 92, 26, 30, 34


def heard(note: Note, shift: int) -> str:
    """Name of a note at the pitch at which it is heard, ``shift`` semitones from the string as played."""
    return midi_to_note(round(note.midi) + shift)


def _shown(note: FingeredNote) -> str:
    """A fret; < for what lies below the lowest string, > above the highest fret."""
    return str(note.fret) if note.fret is not None else "<" if note.string == len(OPEN_MIDI) else ">"


def _tempo(beats: Beats) -> str:
    return f"{beats.bpm:.1f} bpm" if beats.known else f"no tempo (a ruler of {beats.bpm:g} bpm)"


def subdivision(bassline: Sequence[FingeredNote], beats: Beats) -> int:
    """Return the number of columns per beat: as few as put the notes near where they are."""
    times = beats.times_s
    at = np.array([np.interp(note.onset_s, times, np.arange(len(times))) for note in bassline])
    errors = (
        {parts: float(np.mean(np.abs(at * parts - np.rint(at * parts)) / parts)) for parts in SUBDIVISIONS}
        if len(at)
        else {}
    )
    fine = [parts for parts, error in errors.items() if error <= NEAR_ENOUGH_BEATS]
    return fine[0] if fine else min(errors, key=lambda parts: errors[parts] * parts, default=1)


def tablature_text(title: str, bassline: Sequence[FingeredNote], beats: Beats, seconds: float) -> str:
    """Return the tablature as text, one system below the other."""
    parts = subdivision(bassline, beats)
    columns = parts * beats.beats_per_bar
    notes = columns_of(bassline, beats, parts, columns)
    bars = sorted({bar for bar, _ in notes} | {bar for bar, _, _ in beats.bars(seconds)})
    labels = [midi_to_note(midi) for midi in OPEN_MIDI]
    margin = max(len(label) for label in labels) + 4
    width = max(3, max((len(midi_to_note(note.midi)) for note in bassline), default=0) + 1)
    a_line = max(1, (LINE_WIDTH - margin) // (columns * width + 1))
    lines = [
        f"{printable(title)}: the bass line, {_tempo(beats)}, {beats.beats_per_bar} beats per bar",
        f"For a bass of four strings, names and frets as heard. A beat has {parts} column{'s' * (parts > 1)}.",
    ]
    if any(note.fret is None for note in bassline):
        lines[1] += " < is below the lowest string, > above the highest fret."
    for first in range(0, len(bars), a_line):
        here = bars[first : first + a_line]
        lines += ["", " " * margin + " " + " ".join(f"{bar}".ljust(columns * width) for bar in here).rstrip()]
        for string, label in enumerate(labels, 1):
            row = f"{string:>2} {label}".ljust(margin) + "|"
            for bar in here:
                for column in range(columns):
                    note = notes.get((bar, column))
                    fret = _shown(note) if note and note.string == string else ""
                    row += fret.ljust(width, "-")
                row += "|"
            lines.append(row)
        names = " " * margin + " "
        for bar in here:
            for column in range(columns):
                note = notes.get((bar, column))
                names += (midi_to_note(note.midi) if note else "").ljust(width)
            names += " "
        lines.append(names.rstrip())
    return "\n".join(lines) + "\n"


def columns_of(
    bassline: Sequence[FingeredNote], beats: Beats, parts: int, columns: int
) -> dict[tuple[int, int], FingeredNote]:
    """Bar and column of each note: the nearest that is free, from left to right."""
    places: dict[tuple[int, int], FingeredNote] = {}
    last = -(10**9)
    index = np.arange(len(beats.times_s))
    for note in bassline:
        at = float(np.interp(note.onset_s, beats.times_s, index)) - beats.downbeat
        column = max(round(at * parts), last + 1)
        last = column
        places[(column // columns + 1, column % columns)] = note
    return places


def draw_tablature(
    path: Path, title: str, bassline: Sequence[FingeredNote], beats: Beats, seconds: float
) -> dict[str, Any]:
    """Write the picture (PNG), and return its size and where time runs in it, as the index has it."""
    from matplotlib.backends.backend_agg import FigureCanvasAgg

    from thumbline.dsp.results.paper import BAR, BASS, INK, QUIET, SMALL
    from thumbline.dsp.results.sheet import FAMILY, WIDTH, Sheet, drawable, font_of, text_width

    bars = [(bar, start, end) for bar, start, end in _all_bars(beats, seconds) if end > 0.0]
    systems = [bars[i : i + BARS_A_ROW] for i in range(0, len(bars), BARS_A_ROW)]
    strings = len(OPEN_MIDI)
    height = _HEADER + len(systems) * (strings * _STRING_PX + _NAMES_PX + _GAP)
    sheet = Sheet(height)
    text, fallback = drawable(printable(title))
    sheet.words(20, 40, text, font_of(24.0, "bold" if fallback == FAMILY else "normal", fallback), INK)
    facts = f"bass line for four strings, as heard  \N{MIDDLE DOT}  {_tempo(beats)}"
    sheet.words(20, 65, facts, font_of(17.0), QUIET)
    span_s = max((system[-1][2] - system[0][1] for system in systems), default=1.0)
    px_per_s = (RIGHT - LEFT) / span_s
    rows = []
    for number, system in enumerate(systems):
        top = _HEADER + number * (strings * _STRING_PX + _NAMES_PX + _GAP)
        start_s, end_s = system[0][1], system[-1][2]
        right = LEFT + (end_s - start_s) * px_per_s
        bottom = top + strings * _STRING_PX
        rows.append(
            {
                "start_s": start_s,
                "end_s": end_s,
                "left": LEFT,
                "right": round(right, 2),
                "top": top,
                "bottom": bottom + _NAMES_PX,
            }
        )
        for string in range(1, strings + 1):
            y = top + (string - 0.5) * _STRING_PX
            sheet.lines([(LEFT, y, right, y)], BAR, 1)
            sheet.words(LEFT - 12, y + 6, midi_to_note(OPEN_MIDI[string - 1]), font_of(SMALL), QUIET, "right")
        for bar, bar_s, _ in system:
            x = LEFT + (bar_s - start_s) * px_per_s
            sheet.lines([(x, top - 2, x, bottom + 2)], QUIET, 1.5)
            sheet.words(x + 3, top - 7, str(bar), font_of(SMALL, "bold"), QUIET)
        sheet.lines([(right, top - 2, right, bottom + 2)], QUIET, 1.5)
        named_until = 0.0
        for note in bassline:
            begins = note.onset_s >= start_s - EARLY_S
            last_s = end_s if system is systems[-1] else end_s - EARLY_S
            # A note that begins a little before a row belongs to it, even if it is over by then.
            if note.onset_s >= last_s or not (begins or note.offset_s > start_s):
                continue
            x0 = LEFT + (max(note.onset_s, start_s) - start_s) * px_per_s
            x1 = LEFT + (min(note.offset_s, end_s) - start_s) * px_per_s
            y = top + (note.string - 0.5) * _STRING_PX
            sheet.boxes([(x0, y - 3, max(x1 - 1, x0 + 2), y + 3)], BASS)
            if begins:
                wide = 18 if len(_shown(note)) < 2 else 28
                sheet.boxes([(x0, y - 10, x0 + wide, y + 10)], BASS)
                sheet.words(x0 + wide / 2, y + 6, _shown(note), font_of(SMALL, "bold"), "white", "center")
                if x0 >= named_until:
                    name = midi_to_note(note.midi).replace("#", "\N{MUSIC SHARP SIGN}")
                    sheet.words(x0, bottom + 20, name, font_of(SMALL), INK)
                    named_until = x0 + text_width(name, font_of(SMALL)) + 6
    FigureCanvasAgg(sheet.figure).print_png(path, metadata={"Software": "Thumbline"})
    return {"file": path.name, "width": WIDTH, "height": height, "rows": rows}


def _all_bars(beats: Beats, seconds: float) -> list[tuple[int, float, float]]:
    """Bars of the take, the upbeat included."""
    first = beats.downbeat % beats.beats_per_bar
    starts = beats.times_s[first :: beats.beats_per_bar].tolist()
    before = (first - beats.downbeat) // beats.beats_per_bar
    pairs = pairwise(starts)
    return [(before + i + 1, start, end) for i, (start, end) in enumerate(pairs) if start < seconds]
