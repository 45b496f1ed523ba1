"""Time stretching of one voice whose pitch is known: a string, or the bass line.

The sound is read at its own speed and now and then jumps by whole periods, where the wave is the same, with a cross-fade
(pitch-synchronous overlap, in the manner of Hamon, Moulines and Charpentier, "A diphone synthesis system based on
time-domain prosodic modifications of speech", ICASSP 1989). So the pitch stays what it was, and between the jumps every
sample is the original's. A jump goes by the phase of the first partial, integrated from the pitch: errors of the pitch do
not add up.

Every onset is put where it belongs to the frame, with its attack at its own speed and without jumps; the rest of the note
takes up the difference. Reading never runs ahead of the note, so that no pluck is heard before its time.

Times are in frames. A stretch of ``factor`` 2 lasts twice as long.
"""

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.compilation import kernel

#: From this long before an onset the sound is read at its own speed, s: the fade, and the scrape of the plectrum.
LEAD_S = 0.005
#: ... until this long after it.
ATTACK_S = 0.035
#: No jump goes back to less than this after an onset: its noise is heard once.
NOISE_S = 0.012
#: How long the old note fades when an onset comes.
ONSET_FADE_S = 0.003
#: Jumps are whole periods, as many as come nearest to this.
JUMP_S = 0.015
#: A jump fades for about one period, within these limits.
SHORTEST_FADE_S, LONGEST_FADE_S = 0.004, 0.012
#: Taken where no pitch was ever known: noise.
NO_PITCH_HZ = 100.0
#: Interpolation between frames: taps of a windowed sine cardinal, and places between two frames.
TAPS, PLACES = 16, 256
LOWEST_FACTOR, HIGHEST_FACTOR = 0.25, 8.0


@dataclass(frozen=True)
class Voice:
    """A sound that never holds more than one note."""

    sound: NDArray[np.float32]  #: (frames,), full scale 1
    rate: int
    onsets: NDArray[np.int64]  #: rising frames at which something begins: a pluck, a slur, a hand-over
    pitch_frames: NDArray[np.int64]  #: rising frames at which the pitch was measured
    hz: NDArray[np.float64]  #: ... and found to be this, above 0

    def part(self, first: int, end: int) -> "Voice":
        """Return frames ``first`` to ``end`` as a voice of its own."""
        onsets = self.onsets[(self.onsets >= first) & (self.onsets < end)]
        known = (self.pitch_frames >= first) & (self.pitch_frames < end)
        return Voice(self.sound[first:end], self.rate, onsets - first, self.pitch_frames[known] - first, self.hz[known])


def stretch(voice: Voice, factor: float, frames: int | None = None) -> NDArray[np.float32]:
    """Return the voice ``factor`` times as long: what was at frame t is at ``factor * t``.

    ``frames`` is the length of the result, ``factor`` times that of the voice if it is left out. Raises ValueError for
    a factor outside 0.25 to 8.
    """
    if not LOWEST_FACTOR <= factor <= HIGHEST_FACTOR:
        raise ValueError(f"factor is {factor}; accepted: {LOWEST_FACTOR} to {HIGHEST_FACTOR}")
    frames = round(factor * len(voice.sound)) if frames is None else frames
    if factor == 1.0 and frames == len(voice.sound):
        return voice.sound.copy()
    rate = voice.rate
    onsets = np.unique(np.concatenate([[0], voice.onsets])).astype(np.int64)
    # Two onsets within the lead of one are one.
    onsets = onsets[np.concatenate([[True], np.diff(onsets) > 2 * LEAD_S * rate])]
    grid, cycles = _phase(voice, onsets)
    most = len(onsets) + 2 * math.ceil(frames / (SHORTEST_FADE_S * rate)) + 2
    pieces = np.zeros((most, 3))
    count = _plan(
        pieces,
        onsets,
        grid,
        cycles,
        factor,
        float(frames),
        float(len(voice.sound)),
        np.array([LEAD_S, ATTACK_S, NOISE_S, ONSET_FADE_S, JUMP_S, SHORTEST_FADE_S, LONGEST_FADE_S]) * rate,
    )
    out = np.zeros(frames, np.float32)
    _assemble(out, voice.sound, pieces[:count], _interpolator())
    return out


def _phase(voice: Voice, onsets: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rising frames, and how many periods have passed at each.

    A note's pitch is taken as known from its onset on, and until the next onset.
    """
    frames, hz = voice.pitch_frames.astype(np.float64), voice.hz
    if not len(frames):
        frames, hz = np.zeros(1), np.full(1, NO_PITCH_HZ)
    note = np.searchsorted(onsets, frames, "right") - 1
    first = np.flatnonzero(np.diff(note, prepend=-1))
    starts = onsets[np.maximum(note[first], 0)].astype(np.float64)
    frames = np.concatenate([frames, starts, [-1.0, len(voice.sound) + voice.rate]])
    hz = np.concatenate([hz, hz[first], hz[:1], hz[-1:]])
    order = np.argsort(frames, kind="stable")
    frames, hz = frames[order], hz[order]
    keep = np.concatenate([[True], np.diff(frames) > 0])
    frames, hz = frames[keep], hz[keep]
    steps = np.diff(frames) * 0.5 * (hz[1:] + hz[:-1]) / voice.rate
    return frames, np.concatenate([[0.0], np.cumsum(steps)])


@kernel
def _at(x: float, xs: np.ndarray, ys: np.ndarray) -> float:
    """``ys`` at ``x`` by straight lines; ``xs`` rises."""
    i = min(max(np.searchsorted(xs, x), 1), len(xs) - 1)
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])


@kernel
def _plan(
    pieces: np.ndarray,
    onsets: np.ndarray,
    grid: np.ndarray,
    cycles: np.ndarray,
    factor: float,
    frames: float,
    length: float,
    times: np.ndarray,
) -> int:
    """Fill rows of ``pieces``: where a piece begins in the result, where in the sound, how long it fades in.

    Returns how many. ``times`` are those at the top of the module, in frames.
    """
    lead, attack, noise, onset_fade, jump, shortest, longest = times
    count = 0
    for i in range(len(onsets)):
        onset = float(onsets[i])
        u = max(math.floor(onset * factor + 0.5) - math.floor(lead), 0.0)
        x = onset + u - math.floor(onset * factor + 0.5)
        last = i + 1 == len(onsets)
        end_x = length if last else onsets[i + 1] - lead
        end_u = frames if last else math.floor(onsets[i + 1] * factor + 0.5) - lead
        if u >= frames:
            break
        pieces[count] = (u, x, onset_fade)
        count += 1
        busy = u + onset_fade  # until then the last fade lasts
        while True:
            # The reading is due for a jump when it is ahead of the note, or more than a jump behind.
            now = max(busy, u + max(0.0, onset + attack - x))
            here = x + now - u
            if now >= end_u or count >= len(pieces):
                break
            period = 1.0 / max(_at(here + 1.0, grid, cycles) - _at(here, grid, cycles), 1e-9)
            whole = max(1.0, math.floor(jump / period + 0.5))
            ahead = here - now / factor
            if factor > 1.0:
                wait = -ahead / (1.0 - 1.0 / factor)
            else:
                wait = (ahead + whole * period) / (1.0 / factor - 1.0)
            if wait > 0.0:
                now += math.ceil(min(wait, 0.25 * period + wait * 0.5))
                here = x + now - u
                ahead = here - now / factor
            # Not yet: look again from there.
            if (factor > 1.0 and ahead < 0.0) or (factor < 1.0 and ahead > -whole * period):
                busy = now
                continue
            fade = min(max(period, shortest), longest)
            if now + fade >= end_u:
                break
            target = here
            while whole >= 1.0:
                turns = _at(here, grid, cycles) + (whole if factor < 1.0 else -whole)
                target = _at(turns, cycles, grid)
                if (factor > 1.0 and target >= onset + noise) or (factor < 1.0 and target + fade < end_x):
                    break
                whole -= 1.0
            if whole < 1.0:
                busy = now + 0.5 * period  # no room
                continue
            u, x = now, target
            pieces[count] = (u, x, fade)
            count += 1
            busy = now + fade
    return count


@kernel
def _assemble(out: np.ndarray, sound: np.ndarray, pieces: np.ndarray, filters: np.ndarray) -> None:
    """Write the pieces, each from the beginning of its fade to the end of the next one's."""
    half = filters.shape[1] // 2
    places = filters.shape[0]
    for k in range(len(pieces)):
        begin = int(math.ceil(pieces[k, 0]))
        fade_in = pieces[k, 2]
        last = k + 1 == len(pieces)
        fade_from = float(len(out)) if last else math.ceil(pieces[k + 1, 0])
        fade_out = 1.0 if last else pieces[k + 1, 2]
        end = len(out) if last else min(len(out), int(fade_from + fade_out) + 1)
        # The place between frames stays the same for the whole piece.
        source = pieces[k, 1] + begin - pieces[k, 0]
        whole = int(math.floor(source))
        place = int(math.floor((source - whole) * places + 0.5))
        if place == places:
            whole, place = whole + 1, 0
        taps = filters[place]
        for u in range(begin, end):
            at = whole + u - begin
            if at - half < 0 or at + half >= len(sound):
                y = sound[at] if 0 <= at < len(sound) else np.float32(0.0)
            elif place == 0:
                y = sound[at]
            else:
                y = np.float32(0.0)
                for j in range(2 * half):
                    y += taps[j] * sound[at - half + 1 + j]
            gain = 1.0
            if k > 0 and u - begin < fade_in:
                gain = 0.5 - 0.5 * math.cos(math.pi * (u - begin + 0.5) / fade_in)
            if u >= fade_from:
                gain *= 0.5 + 0.5 * math.cos(math.pi * min((u - fade_from + 0.5) / fade_out, 1.0))
            out[u] += np.float32(gain) * y


def _interpolator() -> NDArray[np.float32]:
    """Filters (PLACES, TAPS) that read a sound between two frames: a sine cardinal under a Kaiser window."""
    behind = np.arange(PLACES)[:, None] / PLACES
    x = np.arange(TAPS)[None, :] - (TAPS // 2 - 1) - behind
    window = np.i0(8.0 * np.sqrt(np.maximum(1.0 - (x / (TAPS / 2)) ** 2, 0.0))) / np.i0(8.0)
    taps = np.sinc(x) * window
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)
