"""Time stretching of one voice whose pitch is known: a string, or the bass line.

The sound is read at its own speed and now and then jumps by whole periods, where the wave is the same, with a
cross-fade (pitch-synchronous overlap, in the manner of Hamon, Moulines and Charpentier, "A diphone synthesis system
based on time-domain prosodic modifications of speech", ICASSP 1989). So the pitch stays what it was, and between the
jumps every sample is the original's. A jump goes by the phase, integrated from the pitch: errors of the pitch do not
add up.

The partials of a stiff string are sharp of whole multiples, so no jump suits them all: the jump that is best for the
whole wave is a little shorter than periods of the first partial. Jumps lie between the two, a little nearer to the
first partial's, so that at 60 % of the speed neither a first partial nor a whole wave is 3 cents off.

Every onset is put where it belongs to the frame, with its attack at its own speed and without jumps; the rest of the
note takes up the difference. Reading never runs ahead of the note, so that no pluck is heard before its time.

Times are in frames. A stretch of ``factor`` 2 lasts twice as long.
"""

import math
from dataclasses import dataclass
from functools import cached_property

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray

from thumbline.dsp.sound.stretch_kernels import assemble, plan

#: From this long before an onset the sound is read at its own speed, s: the fade, and the scrape of the plectrum.
LEAD_S = 0.005
#: ... until this long after it.
ATTACK_S = 0.035
#: No jump goes back to less than this after an onset: its noise is heard once.
NOISE_S = 0.012
#: How long the old note fades when an onset comes.
ONSET_FADE_S = 0.003
#: Onsets that follow each other sooner than this, s, cannot both be put where they belong.
NEAREST_S = 0.004
#: Jumps are whole periods, as many as come nearest to this.
JUMP_S = 0.015
#: A jump fades until the next one is due, at least for this long, in seconds ...
SHORTEST_FADE_S = 0.004
#: ... and at most for this long, in seconds.
LONGEST_FADE_S = 0.4
#: Taken where no pitch was ever known: noise.
NO_PITCH_HZ = 100.0
#: Of a stiff string: how far a jump goes from the first partial's periods towards what suits the whole wave best.
SHARE_OF_WAVE = 0.43
#: How much shorter a jump may be for it (share).
WIDEST_STRETCH = 0.012
#: How much alike the two sides of the jump must be (correlation).
LIKE = 0.9
#: How much of a note is looked at for it, in seconds.
LONGEST_LOOK_S = 0.25
#: Interpolation between frames: taps of a windowed sine cardinal ...
TAPS = 16
#: ... and places between two frames.
PLACES = 256
#: Factors on the duration that are accepted.
LOWEST_FACTOR = 0.25
HIGHEST_FACTOR = 8.0


@dataclass(frozen=True)
class Voice:
    """A sound that never holds more than one note."""

    sound: NDArray[np.float32]  #: (frames,), full scale 1
    rate: int
    onsets: NDArray[np.int64]  #: rising frames at which something begins: a pluck, a slur, a hand-over
    pitch_frames: NDArray[np.int64]  #: rising frames at which the pitch was measured
    hz: NDArray[np.float64]  #: ... and found to be this, above 0

    @cached_property
    def beginnings(self) -> NDArray[np.int64]:
        """Frame 0 and the onsets; onsets closer than one fade are merged into the first."""
        onsets = np.unique(np.concatenate([[0], self.onsets])).astype(np.int64)
        return onsets[np.concatenate([[True], np.diff(onsets) > NEAREST_S * self.rate])]

    @cached_property
    def phase(self) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
        """Increasing frame numbers and, at each, the number of jump periods elapsed; independent of the factor."""
        return _phase(self, self.beginnings)

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
    onsets, (grid, cycles) = voice.beginnings, voice.phase
    most = 2 * len(onsets) + 2 * math.ceil(frames / (SHORTEST_FADE_S * rate)) + 2
    pieces = np.zeros((most, 4))
    count = plan(
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
    assemble(out, voice.sound, pieces[:count], _interpolator())
    return out


def _phase(voice: Voice, onsets: NDArray[np.int64]) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Rising frames, and how many periods have passed at each.

    A note's pitch is taken as known from its onset on, and until the next onset.
    """
    frames, hz = voice.pitch_frames.astype(np.float64), voice.hz * _sharpness(voice, onsets)
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


def _sharpness(voice: Voice, onsets: NDArray[np.int64]) -> NDArray[np.float64]:
    """Ratio of the jump phase's speed to that of the first partial, at each known pitch."""
    sharpness = np.ones(len(voice.hz))
    note = np.searchsorted(onsets, voice.pitch_frames, "right")
    for number in np.unique(note):
        inside = np.flatnonzero(note == number)
        begin = int(onsets[max(number - 1, 0)] + ATTACK_S * voice.rate)
        end = int(min(voice.pitch_frames[inside[-1]], begin + LONGEST_LOOK_S * voice.rate))
        middle = inside[np.searchsorted(voice.pitch_frames[inside], 0.5 * (begin + end)).clip(max=len(inside) - 1)]
        period = voice.rate / float(voice.hz[middle])
        jump = max(1.0, round(JUMP_S * voice.rate / period)) * period
        length = end - begin - math.ceil(1.01 * jump)
        if length >= 2 * jump:
            sharpness[inside] = (jump / _best_lag(voice.sound[begin:end], length, jump)) ** SHARE_OF_WAVE
    return sharpness


def _best_lag(sound: NDArray[np.float32], length: int, jump: float) -> float:
    """The lag near ``jump`` at which the first ``length`` frames are most like what follows; if not alike, ``jump``."""
    first = math.floor((1.0 - WIDEST_STRETCH) * jump) - 1
    lags = np.arange(first, math.ceil((1.0 + 0.25 * WIDEST_STRETCH) * jump) + 2)
    part = sound[: lags[-1] + length].astype(np.float64)
    energy = np.concatenate([[0.0], np.cumsum(part**2)])
    powers = energy[length] * (energy[lags + length] - energy[lags])
    # Not by the matrix product, whose threads cost more than they bring here.
    products = np.einsum("ij,j->i", sliding_window_view(part, length)[lags], part[:length])
    likeness = products / np.sqrt(powers + 1e-30)
    best = int(np.argmax(likeness))
    if likeness[best] < LIKE or best in (0, len(lags) - 1):
        return jump
    before, peak, after = likeness[best - 1 : best + 2]
    return float(lags[best] + 0.5 * (before - after) / (before - 2.0 * peak + after))


def _interpolator() -> NDArray[np.float32]:
    """Filters (PLACES, TAPS) that read a sound between two frames: a sine cardinal under a Kaiser window."""
    behind = np.arange(PLACES)[:, None] / PLACES
    x = np.arange(TAPS)[None, :] - (TAPS // 2 - 1) - behind
    window = np.i0(8.0 * np.sqrt(np.maximum(1.0 - (x / (TAPS / 2)) ** 2, 0.0))) / np.i0(8.0)
    taps = np.sinc(x) * window
    return (taps / taps.sum(axis=1, keepdims=True)).astype(np.float32)
