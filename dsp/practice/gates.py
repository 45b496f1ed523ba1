"""When a string belongs to the guitar, and when the bass is silent, in practice tracks.

On stage a hand-over begins when it is decided, a few milliseconds after the pluck, and those milliseconds are heard in
the guitar. With the whole take at hand it begins before: a string has left the guitar when its pluck begins. A string
comes back to the guitar when the bass has let go of it.

What the settled line leaves out (`settled_line`) is left to the guitar, and is silent in the bass.
"""

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import SettledLine
from thumbline.dsp.processor.transcript import Handover

#: The pick is on the string before it lets go, and what it does there is heard: a string has left the guitar this long
#: before its pluck, s.
BEFORE_PLUCK_S = 0.008
#: The bass fades in and out of a silence in this time, s.
SILENCE_FADE_S = 0.003
#: A silence ends this long before the note that follows, s; without one so near, after ``RELEASE_S`` more.
BEFORE_NOTE_S, RELEASE_S = 0.001, 0.05


def bass_spans(path: Sequence[Handover], line: SettledLine, end_s: float) -> list[tuple[int, float, float]]:
    """When the bass has each string: string, beginning and end in order of time, without what passes.

    A span that begins with a pluck begins when it sounded, another one when it was decided; a span ends when the next
    hand-over was decided, but no later than that one's span begins.
    """
    spans = []
    for i, handover in enumerate(path):
        start_s = handover.time_s if handover.plucked else handover.decided_s
        stop_s = path[i + 1].decided_s if i + 1 < len(path) else end_s
        if handover.string == 0 or stop_s <= start_s or _passes(handover, stop_s, line):
            continue
        spans.append((handover.string, start_s, stop_s))
    return spans


def _passes(handover: Handover, stop_s: float, line: SettledLine) -> bool:
    """Whether all that the string plays while it has the bass is left out of the line."""

    def has(rows: Sequence[Note]) -> bool:
        return any(
            row.string == handover.string and row.onset_s < stop_s and row.offset_s > handover.time_s for row in rows
        )

    return has(line.passing) and not has(line.notes)


def gate(string: int, spans: Sequence[tuple[int, float, float]], fade_s: float, rate: int) -> NDArray[np.float64]:
    """Gain of a string in the guitar: (corners, 2), frame and gain, straight between corners, 1 before the first.

    It has fallen to 0 ``BEFORE_PLUCK_S`` before each of its ``spans``, and rises when it is over; ``fade_s`` is the
    length of each fade. Spans that leave no room for both fades are one.
    """
    joined: list[list[float]] = []
    for which, start_s, stop_s in spans:
        if which != string:
            continue
        shut_s = start_s - BEFORE_PLUCK_S
        if joined and shut_s - fade_s < joined[-1][1] + fade_s:
            joined[-1][1] = max(joined[-1][1], stop_s)
        else:
            joined.append([shut_s, stop_s])
    corners = [(0.0, 1.0 if not joined or joined[0][0] - fade_s > 0.0 else 0.0)]
    for shut_s, stop_s in joined:
        if shut_s - fade_s > 0.0:
            corners += [((shut_s - fade_s) * rate, 1.0), (shut_s * rate, 0.0)]
        corners += [(stop_s * rate, 0.0), ((stop_s + fade_s) * rate, 1.0)]
    return np.array(corners)


def silences(line: SettledLine) -> list[tuple[float, float]]:
    """When the bass is to be silent: while something passes, until just before the next note of the line."""
    onsets = np.array([note.onset_s for note in line.notes])
    spans: list[tuple[float, float]] = []
    for row in line.passing:
        at = int(np.searchsorted(onsets, row.onset_s + 1e-9))
        following = float(onsets[at]) - BEFORE_NOTE_S if at < len(onsets) else np.inf
        stop_s = min(row.offset_s + RELEASE_S, following)
        if stop_s > row.onset_s:
            spans.append((row.onset_s, stop_s))
    return spans


def silenced(sound: NDArray[np.float32], spans: Sequence[tuple[float, float]], rate: int) -> NDArray[np.float32]:
    """Return ``sound`` (frames,) silent within ``spans`` (s), with a fade at each end of them."""
    if not spans:
        return sound
    gain = np.ones(len(sound), np.float32)
    fade = max(1, round(SILENCE_FADE_S * rate))
    down = np.linspace(1.0, 0.0, fade + 2, dtype=np.float32)[1:-1]
    for start_s, stop_s in spans:
        first, last = round(start_s * rate), min(round(stop_s * rate), len(sound))
        for begin, ramp in ((first, down), (last - fade, down[::-1])):
            low, high = max(begin, first, 0), min(begin + fade, last)
            if low < high:
                gain[low:high] = np.minimum(gain[low:high], ramp[low - begin : high - begin])
        gain[max(first + fade, 0) : max(last - fade, 0)] = 0.0
    return sound * gain


def add_gated(
    guitar: NDArray[np.float32],
    sound: NDArray[np.float32],
    corners: NDArray[np.float64],
    pan: Sequence[float],
    first: int = 0,
    factor: float = 1.0,
) -> None:
    """Add a string to the ``guitar`` (frames, channels) while it belongs to it.

    ``sound`` (frames,) begins at frame ``first`` of the take and is ``factor`` times as long; ``corners`` are those of
    its `gate`, on the take's clock; ``pan`` has a gain for each channel.
    """
    placed = [((frame - first) * factor, gain) for frame, gain in corners.tolist()]
    placed = [(-np.inf, placed[0][1]), *placed, (np.inf, placed[-1][1])]
    for (x0, g0), (x1, g1) in pairwise(placed):
        begin, end = (int(np.clip(np.ceil(x), 0, len(sound))) for x in (x0, x1))
        if begin >= end or (g0 == 0.0 and g1 == 0.0):
            continue
        gain = g0 if g0 == g1 else (g0 + (g1 - g0) * (np.arange(begin, end) - x0) / (x1 - x0)).astype(np.float32)
        part = sound[begin:end] if g0 == g1 == 1.0 else sound[begin:end] * np.asarray(gain, np.float32)
        for channel, side in enumerate(pan):
            guitar[begin:end, channel] += part if side == 1.0 else np.float32(side) * part
