"""Loops: stretches of a take to be repeated, asked for by time or by bar, or found at the borders of phrases."""

import re
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.notes import Note

SHORTEST_S = 0.2
#: A loop that begins on a bar line begins this long before a note that comes early, s, ...
LEAD_S = 0.008
#: ... if the note comes no earlier than this, s.
EARLIEST_S = 0.06
#: Repeats fade into each other over this time, s.
SEAM_S = 0.008
#: Bars of a phrase: as few, as wanted, as many (common practice, no source).
FEWEST_BARS, USUAL_BARS, MOST_BARS = 2, 4, 8
ACCEPTED = 'accepted: "bars 5-8", "bar 5", a time such as "12.5-20" or "0:12.5-0:20", or "phrases"'

_BARS = re.compile(r"bars?\s*([0-9]+)(?:\s*-\s*([0-9]+))?")
_CLOCK = r"(?:([0-9]+):)?([0-9]+(?:\.[0-9]*)?|\.[0-9]+)"
_TIMES = re.compile(rf"{_CLOCK}\s*s?\s*-\s*{_CLOCK}\s*s?")


@dataclass(frozen=True)
class Loop:
    """A stretch of the take, in take time."""

    name: str
    start_s: float
    end_s: float
    first_bar: int | None
    last_bar: int | None
    source: Literal["phrase", "asked"]


def parse_loop(text: str, beats: Beats, seconds: float) -> Loop:
    """Read a loop as it is asked for. Raises InputError for what is no loop, and for one beyond the take."""
    wanted = text.strip().lower()
    bars = beats.bars(seconds)
    if match := _BARS.fullmatch(wanted):
        if not beats.known:
            raise InputError(f'loop "{text}" needs bars, and the take tells no tempo; accepted with --bpm or --taps')
        first, last = int(match[1]), int(match[2] or match[1])
        if not 1 <= first <= last <= len(bars):
            raise InputError(f'loop "{text}" is not in the take; accepted: bars 1 to {len(bars)}, the first one first')
        return _of_bars(bars, first, last, "asked")
    if match := _TIMES.fullmatch(wanted):
        start, end = (60.0 * float(match[i] or 0) + float(match[i + 1]) for i in (1, 3))
        if not (end - start >= SHORTEST_S and end <= seconds):
            raise InputError(f'loop "{text}" cannot be; accepted: {SHORTEST_S:g} s or more, within 0-{seconds:.3f}')
        return Loop(f"{start:.9g}-{end:.9g} s", start, end, None, None, "asked")
    raise InputError(f'loop is "{text}"; {ACCEPTED}')


def _of_bars(
    bars: Sequence[tuple[int, float, float]], first: int, last: int, source: Literal["phrase", "asked"]
) -> Loop:
    name = f"bar {first}" if first == last else f"bars {first}-{last}"
    return Loop(name, max(bars[first - 1][1], 0.0), bars[last - 1][2], first, last, source)


def phrases(beats: Beats, notes: Sequence[Note], seconds: float) -> list[Loop]:
    """Cut the take into phrases of 2 to 8 bars, at bar lines before which it is quiet or a note was long.

    The cut is the one whose sum of reasons is greatest (dynamic programming over the bar lines).
    """
    bars = beats.bars(min(seconds, max((note.offset_s for note in notes), default=0.0))) if beats.known else []
    if not bars:
        return []
    count = len(bars)
    lines = [start for _, start, _ in bars] + [bars[-1][2]]
    worth = [_border(line, end - start, notes) for line, (_, start, end) in zip(lines, bars, strict=False)] + [0.0]
    best = [0.0] + [-np.inf] * count
    came_from = [0] * (count + 1)
    for end in range(1, count + 1):
        for start in range(max(0, end - MOST_BARS), end):
            length = end - start
            too_short = length < FEWEST_BARS and count >= FEWEST_BARS
            cost = 0.4 * abs(np.log2(length / USUAL_BARS)) + (1.0 if too_short else 0.0)
            score = best[start] + worth[end] - cost - 0.5
            if score > best[end]:
                best[end], came_from[end] = score, start
    cuts = [count]
    while cuts[-1] > 0:
        cuts.append(came_from[cuts[-1]])
    return [_of_bars(bars, first + 1, last, "phrase") for first, last in pairwise(reversed(cuts))]


def _border(line_s: float, bar_s: float, notes: Sequence[Note]) -> float:
    """How much a bar line looks like the border of a phrase, 0 to 1."""
    before = [note for note in notes if note.onset_s < line_s - EARLIEST_S]
    if not before:
        return 0.0
    last = max(note.onset_s for note in before)
    quiet = line_s - max(min(note.offset_s, line_s) for note in before)
    starts_here = any(abs(note.onset_s - line_s) <= EARLIEST_S for note in notes)
    return min(1.0, (0.6 * (line_s - last) + 0.8 * quiet) / bar_s + (0.1 if starts_here else 0.0))


def early_start_s(loop: Loop, notes: Sequence[Note]) -> float:
    """How much earlier than its bar line the loop is cut, at both ends, so that a note that comes early is whole."""
    early = [loop.start_s - note.onset_s for note in notes if 0.0 < loop.start_s - note.onset_s <= EARLIEST_S]
    return min(max(early, default=0.0) + LEAD_S, loop.start_s)


def with_faded_ends(sound: NDArray[np.float32], seam: int) -> NDArray[np.float32]:
    """Return ``sound``, (frames, channels), faded in and out over ``seam`` frames.

    Where the end of one sound and the beginning of the next lie on each other, the two gains add up to 1.
    """
    fade = (0.5 - 0.5 * np.cos(np.pi * (np.arange(seam) + 0.5) / seam)).astype(np.float32)[:, None]
    out = sound.copy()
    out[:seam] *= fade
    out[len(out) - seam :] *= fade[::-1]
    return out
