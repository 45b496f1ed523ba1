"""Beats and bars of a take: from a tempo that is known, from taps, or estimated from the notes.

The estimate: librosa finds the tempo and the beats (D. P. W. Ellis, "Beat Tracking by Dynamic Programming", J. New
Music Research 36, 2007), on an onset envelope made of the notes that were found, instead of one guessed from the sound:
bass notes weigh double. If the beats lie on a strict grid to within 20 ms, the grid is taken, else the beats follow the
player.
"""

import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Literal

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.notes import Note
from thumbline.dsp.text_files import read_lines

LOWEST_BPM, HIGHEST_BPM = 20.0, 400.0
FEWEST_BEATS_A_BAR, MOST_BEATS_A_BAR = 1, 16
#: Frames a second of the onset envelope.
ENVELOPE_RATE = 50
#: A note this near to a beat is on it, s.
ON_BEAT_S = 0.05
#: Beats that lie on a grid to within this (rms) were played to one, s.
STEADY_S = 0.02
#: Without any better knowledge.
PLAIN_BPM = 100.0

Source = Literal["given", "tapped", "estimated"]


@dataclass(frozen=True)
class Beats:
    """Beats, from before the first frame to after the last one."""

    times_s: NDArray[np.float64]  #: rising
    downbeat: int  #: the index at which bar 1 begins
    beats_per_bar: int
    source: Source
    steady: bool  #: whether they are a strict grid
    confidence: float | None = None  #: of an estimate: the share of beats on which a note begins

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
    """Read a tap file: the time of each beat in seconds, one a line; what follows a # is a remark.

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
        raise InputError(f"{name} holds {len(taps)} tap{'s' * (len(taps) != 1)}; accepted: two or more, one a line")
    return taps


def beats_from_taps(taps: Sequence[float], seconds: float, beats_per_bar: int, first_bar_s: float | None) -> Beats:
    """Beats as tapped; before and after the taps they go on at the pace of the nearest ones."""
    times = _extended(np.asarray(taps, np.float64), seconds)
    first = taps[0] if first_bar_s is None else first_bar_s
    return Beats(times, _nearest(times, first), beats_per_bar, "tapped", steady=False)


def beats_from_bpm(
    bpm: float,
    notes: Iterable[Note],
    bassline: Sequence[Note],
    seconds: float,
    beats_per_bar: int,
    first_bar_s: float | None,
) -> Beats:
    """A strict grid at ``bpm``: from ``first_bar_s`` on, or where most notes fall on it."""
    period = 60.0 / check_bpm(bpm)
    onsets, weights = _weighted(notes, bassline)
    if first_bar_s is None:
        phases = np.arange(0.0, period, 0.002)
        off = (onsets[None, :] - phases[:, None] + 0.5 * period) % period - 0.5 * period
        phase = float(phases[np.argmax(np.exp(-0.5 * (off / 0.02) ** 2) @ weights)])
    else:
        phase = first_bar_s
    times = _extended(phase + period * np.arange(2), seconds)
    downbeat = _downbeat(times, bassline, beats_per_bar) if first_bar_s is None else _nearest(times, first_bar_s)
    return Beats(times, downbeat, beats_per_bar, "given", steady=True)


def estimate_beats(
    notes: Sequence[Note], bassline: Sequence[Note], seconds: float, beats_per_bar: int, first_bar_s: float | None
) -> Beats:
    """Beats found from the notes."""
    onsets, weights = _weighted(notes, bassline)
    found = _tracked(onsets, weights, seconds)
    if len(found):  # beats while somebody plays
        found = found[(found >= onsets[0] - ON_BEAT_S) & (found <= onsets[-1] + ON_BEAT_S)]
    near = [_mean_near(beat, onsets, weights) for beat in found]
    met = np.array([time_s is not None for time_s in near], bool)
    times = np.array([beat if time_s is None else time_s for beat, time_s in zip(found, near, strict=True)])
    steady = False
    if met.sum() >= 4:
        index = np.arange(len(times))
        slope, start = np.polyfit(index[met], times[met], 1)
        rms = float(np.sqrt(np.mean((start + slope * index[met] - times[met]) ** 2)))
        steady = rms <= STEADY_S
        if steady:
            times = start + slope * index
    if len(times) < 2 or np.any(np.diff(times) < 60.0 / HIGHEST_BPM):
        times = found if len(found) >= 2 else np.arange(2) * 60.0 / PLAIN_BPM
    confidence = float(met.mean()) if len(met) else 0.0
    times = _extended(times, seconds)
    downbeat = _downbeat(times, bassline, beats_per_bar) if first_bar_s is None else _nearest(times, first_bar_s)
    return Beats(times, downbeat, beats_per_bar, "estimated", steady, round(confidence, 3))


def _weighted(notes: Iterable[Note], bassline: Iterable[Note]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Onsets and how much they say of the beat: as loud as they are, and the bass double."""
    weight: dict[float, float] = {}
    for note in notes:
        weight[note.onset_s] = weight.get(note.onset_s, 0.0) + note.velocity / 127
    for note in bassline:
        weight[note.onset_s] = weight.get(note.onset_s, 0.0) + note.velocity / 127
    ordered = sorted(weight.items())
    return np.array([time_s for time_s, _ in ordered]), np.array([w for _, w in ordered])


def load_tracker() -> None:
    """Load the beat tracker, which takes seconds, and longer when it is compiled for the first time."""
    _tracked(np.arange(0.5, 4.0, 0.5), np.ones(7), 4.0)


def _tracked(onsets: NDArray[np.float64], weights: NDArray[np.float64], seconds: float) -> NDArray[np.float64]:
    from thumbline.dsp.kernel_files import install

    install()  # before functions are declared that keep compiled code
    import librosa

    if len(onsets) < 4:
        return np.zeros(0)
    frames = math.ceil(seconds * ENVELOPE_RATE) + 1
    time_s = np.arange(frames) / ENVELOPE_RATE
    envelope = np.zeros(frames)
    for onset, weight in zip(onsets, weights, strict=True):
        first, last = (int(np.searchsorted(time_s, onset + side * 0.1)) for side in (-1, 1))
        envelope[first:last] += weight * np.exp(-0.5 * ((time_s[first:last] - onset) / 0.015) ** 2)
    hop = 256
    bpm = float(librosa.feature.tempo(onset_envelope=envelope, sr=ENVELOPE_RATE * hop, hop_length=hop)[0])
    _, beats = librosa.beat.beat_track(
        onset_envelope=envelope, sr=ENVELOPE_RATE * hop, hop_length=hop, bpm=bpm, trim=False
    )
    return np.asarray(beats, np.float64) / ENVELOPE_RATE


def _mean_near(beat: float, onsets: NDArray[np.float64], weights: NDArray[np.float64]) -> float | None:
    near = np.abs(onsets - beat) <= ON_BEAT_S
    return float(np.average(onsets[near], weights=weights[near])) if near.any() else None


def _extended(times: NDArray[Any], seconds: float) -> NDArray[np.float64]:
    """Carry beats on to before 0 and at least two bars of four beyond ``seconds``, at the pace of the nearest four."""
    before, after = (float(np.median(np.diff(part))) for part in (times[:5], times[-5:]))
    first = times[0] - before * np.arange(math.ceil(max(times[0], 0.0) / before) + 1, 0, -1)
    count = math.ceil(max(seconds - times[-1], 0.0) / after) + 2 * MOST_BEATS_A_BAR
    return np.concatenate([first, times, times[-1] + after * np.arange(1, count + 1)])


def _nearest(times: NDArray[np.float64], moment_s: float) -> int:
    return int(np.argmin(np.abs(times - moment_s)))


def _downbeat(times: NDArray[np.float64], bassline: Sequence[Note], beats_per_bar: int) -> int:
    """The beat at which bar 1 begins: where the bass is low, loud and long, if possible with the first note."""
    if not bassline:
        return _nearest(times, 0.0)
    first = _nearest(times, bassline[0].onset_s)
    lowest = min(note.midi for note in bassline)
    scores = np.zeros(beats_per_bar)
    for note in bassline:
        beat = _nearest(times, note.onset_s)
        if abs(times[beat] - note.onset_s) <= ON_BEAT_S:
            length = min(note.offset_s - note.onset_s, 2.0)
            depth = 1.0 / (1.0 + (note.midi - lowest) / 12.0)
            scores[(beat - first) % beats_per_bar] += note.velocity / 127 * (depth + 0.25 * length)
    scores[0] *= 1.2
    best = int(np.argmax(scores))
    # An upbeat: the first bar line comes after the first note.
    return first + best
