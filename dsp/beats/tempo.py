"""Beats and bars of a take: from a tempo that is known, from taps, or estimated from the notes.

The estimate compares strict grids, as of a take played to a click, and beats that follow the player (`reading`). How
sure it is, is stated: how likely tempo, octave and phase of the beats are all right. Below ``SURE`` the player had
better tap. A take that says nothing of a beat has no tempo.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.beats.bend import places, times_at
from thumbline.dsp.beats.evidence import Moments, moments_of
from thumbline.dsp.beats.reading import Beat, likeliest, likeliest_at
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.text_files import read_lines
from thumbline.dsp.processor.notes import Note

LOWEST_BPM, HIGHEST_BPM = 20.0, 400.0
FEWEST_BEATS_A_BAR, MOST_BEATS_A_BAR = 1, 16
#: Bar 1 may begin this long before the first frame, s.
EARLY_S = 0.06
#: Fewer moments at which something is played tell no tempo.
FEWEST_MOMENTS = 4
#: An estimate of less confidence than this is none to rely on.
SURE = 0.5
#: The ruler that lies behind tables of a take without a tempo.
RULER_BPM = 100.0

Source = Literal["given", "tapped", "estimated", "none"]


@dataclass(frozen=True)
class Beats:
    """Beats, from before the first frame to after the last one.

    Where ``source`` is "none" the take has no tempo; the beats are a ruler for what needs one, and mean nothing.
    """

    times_s: NDArray[np.float64]  #: rising
    downbeat: int  #: the index at which bar 1 begins
    beats_per_bar: int
    source: Source
    steady: bool  #: whether they are a strict grid
    confidence: float | None = None  #: of an estimate: 0 to 1, how likely tempo, octave and phase are all right

    @property
    def known(self) -> bool:
        """Whether the take has a tempo."""
        return self.source != "none"

    @property
    def bpm(self) -> float:
        """Median tempo."""
        return 60.0 / float(np.median(np.diff(self.times_s)))

    @property
    def first_bar_s(self) -> float:
        """When bar 1 begins."""
        return float(self.times_s[self.downbeat])

    @property
    def first_beat_length_s(self) -> float:
        """Length of the first beat of bar 1: the pace of a count-in."""
        return float(self.times_s[self.downbeat + 1] - self.times_s[self.downbeat])

    def position(self, index: int) -> tuple[int, int]:
        """Return the bar (1 is the first, 0 the one before) and the beat in it, from 1."""
        bar, beat = divmod(index - self.downbeat, self.beats_per_bar)
        return bar + 1, beat + 1

    def within(self, end_s: float) -> list[tuple[float, int, int]]:
        """Time, bar and beat of each beat from 0 to ``end_s``."""
        rows = ((float(time_s), *self.position(i)) for i, time_s in enumerate(self.times_s))
        return [row for row in rows if 0.0 <= row[0] <= end_s]

    def bars(self, end_s: float) -> list[tuple[int, float, float]]:
        """Number, start and end of each bar that begins before ``end_s``, from bar 1."""
        starts = self.times_s[self.downbeat :: self.beats_per_bar]
        pairs = zip(starts[:-1].tolist(), starts[1:].tolist(), strict=True)
        return [(bar, start, end) for bar, (start, end) in enumerate(pairs, 1) if start < end_s]


def check_bpm(bpm: float) -> float:
    """Return ``bpm``; InputError if nobody plays at it."""
    if not LOWEST_BPM <= bpm <= HIGHEST_BPM:
        raise InputError(f"tempo is {bpm:g} bpm; accepted: {LOWEST_BPM:g} to {HIGHEST_BPM:g}")
    return bpm


def read_taps(path: Path) -> list[float]:
    """Read a tap file: the time of each beat in seconds, one per line; what follows a # is a remark.

    Raises InputError for a file that cannot be read, for fewer than two taps, and for times that do not rise or are too
    near or far from each other for a tempo.
    """
    name = printable(path)
    try:
        lines = read_lines(path)
    except (OSError, UnicodeDecodeError) as error:
        reason = error.strerror if isinstance(error, OSError) else "it is not text"
        raise InputError(f"cannot read the taps in {name}: {reason}") from error
    taps: list[float] = []
    for number, line in enumerate(lines, 1):
        text = line.partition("#")[0].strip()
        if not text:
            continue
        try:
            tap = float(text)
        except ValueError:
            tap = math.nan
        if not math.isfinite(tap) or tap < 0.0:
            raise InputError(f'{name}, line {number}: "{printable(text)}"; accepted is the time of a beat in seconds')
        if taps and not 60.0 / HIGHEST_BPM <= tap - taps[-1] <= 60.0 / LOWEST_BPM:
            between = f"{60.0 / HIGHEST_BPM:g} to {60.0 / LOWEST_BPM:g} s after the one before"
            raise InputError(f"{name}, line {number}: {tap:g} s follows {taps[-1]:g} s; accepted is a tap {between}")
        taps.append(tap)
    if len(taps) < 2:
        raise InputError(f"{name} holds {len(taps)} tap{'s' * (len(taps) != 1)}; accepted: two or more, one per line")
    return taps


def beats_from_taps(taps: Sequence[float], seconds: float, beats_per_bar: int, first_bar_s: float | None) -> Beats:
    """Beats as tapped; before and after the taps they go on at the pace of the nearest ones."""
    times = _extended(np.asarray(taps, np.float64), seconds)
    first = taps[0] if first_bar_s is None else first_bar_s
    return Beats(times, _nearest(times, first), beats_per_bar, "tapped", steady=False)


def beats_from_bpm(
    bpm: float,
    notes: Sequence[Note],
    bassline: Sequence[Note],
    seconds: float,
    beats_per_bar: int,
    first_bar_s: float | None,
) -> Beats:
    """A strict grid at ``bpm``: from ``first_bar_s`` on, or where it and its bars explain the notes best."""
    period_s = 60.0 / check_bpm(bpm)
    moments = moments_of(notes, bassline)
    if first_bar_s is not None or not len(moments):
        start_s = first_bar_s or 0.0
        times = _extended(start_s + period_s * np.arange(2), seconds)
        return Beats(times, _nearest(times, start_s), beats_per_bar, "given", steady=True)
    return _laid(likeliest_at(moments, period_s, beats_per_bar), moments, seconds, beats_per_bar, "given", None)


def estimate_beats(
    notes: Sequence[Note], bassline: Sequence[Note], seconds: float, beats_per_bar: int, first_bar_s: float | None
) -> Beats:
    """Beats found from the notes; with ``first_bar_s`` bar 1 begins at the beat next to it."""
    moments = moments_of(notes, bassline)
    found = likeliest(moments, beats_per_bar) if len(moments) >= FEWEST_MOMENTS else None
    if found is None:
        times = _extended((first_bar_s or 0.0) + 60.0 / RULER_BPM * np.arange(2), seconds)
        return Beats(times, _nearest(times, first_bar_s or 0.0), beats_per_bar, "none", steady=True)
    beats = _laid(found, moments, seconds, beats_per_bar, "estimated", first_bar_s)
    return replace(beats, confidence=round(found.likely, 3))


def _laid(
    found: Beat, moments: Moments, seconds: float, beats_per_bar: int, source: Source, first_bar_s: float | None
) -> Beats:
    """Beats from before the first frame to after the last one."""
    known = found.times_s
    if found.steady:
        period_s = float(known[1] - known[0])
        known = known[0] % period_s + period_s * np.arange(2)
    times = _extended(known, seconds)
    if first_bar_s is not None:
        return Beats(times, _nearest(times, first_bar_s), beats_per_bar, source, found.steady)
    bar_line = round(float(places(times, times_at(found.times_s, np.array([found.bar_line])))[0]))
    return Beats(times, _bar_1(times, bar_line, beats_per_bar, moments), beats_per_bar, source, found.steady)


def _bar_1(times: NDArray[np.float64], bar_line: int, beats_per_bar: int, moments: Moments) -> int:
    """The beat at which bar 1 begins: the bar in which the music begins, or the next one if less than half is left."""
    first = float(places(times, moments.time_s[:1])[0])
    bar = math.floor((first - bar_line) / beats_per_bar + 0.5)
    downbeat = bar_line + bar * beats_per_bar
    while downbeat < 0 or times[downbeat] < -EARLY_S:
        downbeat += beats_per_bar
    return downbeat


def _extended(times: NDArray[Any], seconds: float) -> NDArray[np.float64]:
    """Carry beats on to before 0 and at least two bars of four beyond ``seconds``, at the pace of the nearest four."""
    before, after = (float(np.median(np.diff(part))) for part in (times[:5], times[-5:]))
    first = times[0] - before * np.arange(math.ceil(max(times[0], 0.0) / before) + 1, 0, -1)
    count = math.ceil(max(seconds - times[-1], 0.0) / after) + 2 * MOST_BEATS_A_BAR
    return np.concatenate([first, times, times[-1] + after * np.arange(1, count + 1)])


def _nearest(times: NDArray[np.float64], moment_s: float) -> int:
    return int(np.argmin(np.abs(times - moment_s)))
