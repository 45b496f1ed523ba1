"""How well beats explain the moments of a take: the features by which beats are compared.

A *reading* puts every moment at a place of a bar: a grid, and the place of it at which a bar begins. Its features:

- timing: the log-likelihood ratio of the distances from the nearest place, which are normal but for a share of strays,
  against moments that fall anywhere;
- pattern: which places of the bar are played, how often the bass begins there, how often it changes its pitch there, as
  Dirichlet-multinomial log-likelihood ratios. The prior is the usual weight of the places: the first beat weighs most,
  then the middle of the bar, beats, eighths, sixteenths (F. Lerdahl, R. Jackendoff, "A Generative Theory of Tonal
  Music", 1983). So a syncopated pattern that comes again in every bar is learned from the take itself;
- counts: how many moments, and how much of bass, change, strings, length, pause, level and strokes down, lie at each
  class of place; their weights (`belief`) are what performances are like;
- tempo: people take about 120 beats per minute for the beat, if they have the choice (L. van Noorden, D. Moelants,
  "Resonance in the Perception of Musical Pulse", J. New Music Research 28, 1999; D. Moelants, "Preferred tempo
  reconsidered", ICMPC 2002), and few beats have nothing in them, or more than a handful of notes;
- start: where the music begins.
"""

import math
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from thumbline.dsp.beats.evidence import Moments

#: Share of moments that keep to no grid.
STRAY = 0.12
#: Spreads about the grid that are tried, s: strict, usual, loose.
SPREADS_S = (0.010, 0.018, 0.028)
#: Preferred tempo, and how far one is from it, in octaves.
PREFERRED_BPM, PREFERRED_OCTAVES = 118.0, 0.42
#: A beat is faster than the music if less than this share of beats has anything played in it.
FEWEST_PLAYED = 0.8
#: Moments of one take depend on each other: more than this many say no more.
MOST_MOMENTS = 100
#: Below this length, s, a fourth of a beat is seldom played; ``_RARE_WIDTH_S`` is how softly.
_RARE_S, _RARE_WIDTH_S = 0.105, 0.015

#: Classes of places: the start of the bar, its middle, other beats, half-way between beats, fourths of a beat; of beats
#: in three: the last third and the second.
CLASSES = ("bar", "middle", "beat", "eighth", "fourth", "last third", "second third")
#: What is counted at each class of place; and at each of some classes together, which ``_TOGETHER`` has the classes of.
COUNTED, COUNTED_ROUGHLY = ("moments", "bass", "change"), ("strings", "long", "pause", "level", "down")
ROUGHLY = ("bar", "beat", "between", "fine")
_TOGETHER = np.array([0, 1, 1, 2, 3, 2, 3])
PLAIN = (
    "timing",
    "pattern",
    "bass pattern",
    "change pattern",
    "tempo",
    "moments per beat",
    "moments per beat, squared",
    "bass per beat",
    "bass per beat, squared",
    "idle beats",
    "starts with a bar",
    "starts on a beat",
    "bass starts with a bar",
    "in three",
    "bends",
    "bends, per moment",
)
NAMES = (
    *PLAIN,
    *(f"{what}, {where}" for what in COUNTED for where in CLASSES),
    *(f"{what}, {where}" for what in COUNTED_ROUGHLY for where in ROUGHLY),
)


@dataclass(frozen=True)
class Metre:
    """The places of a bar."""

    beats: int  #: beats per bar
    parts: int  #: places per beat: 4, or 3 where eighths swing or a beat has three

    @property
    def places(self) -> int:
        """Places per bar."""
        return self.beats * self.parts

    def classes(self) -> NDArray[np.int64]:
        """(places,) class of each place, as an index of ``CLASSES``."""
        within = [2, 4, 3, 4] if self.parts == 4 else [2, 6, 5]
        classes = np.tile(within, self.beats)
        if self.beats % 2 == 0:
            classes[self.places // 2] = 1
        classes[0] = 0
        return classes


#: Weights of the places of a bar: its start, its middle, other beats, the eighth between two beats; then what a fourth
#: of a beat has at most and at least. All that is played; where the bass begins; where it changes.
_WEIGHTS = ((1.2, 1.05, 1.0, 0.9, 0.6, 0.1), (2.0, 1.4, 1.0, 0.7, 0.48, 0.08), (4.0, 1.6, 1.0, 0.6, 0.36, 0.06))
#: How many moments each prior is worth.
_PRIOR_MOMENTS = (40.0, 30.0, 24.0)
#: The middle of three parts of a beat, of which swing leaves the second out.
_MIDDLE_TRIPLET = 0.12


@cache
def _prior(metre: Metre, what: int, part_ms: int) -> NDArray[np.float64]:
    """Dirichlet parameters (places,) of one of the three patterns, where a part of a beat lasts ``part_ms``."""
    common = 1.0 / (1.0 + math.exp(-(1e-3 * part_ms - _RARE_S) / _RARE_WIDTH_S))
    bar, middle, beat, eighth, most, least = _WEIGHTS[what]
    fine = least + (most - least) * common
    weight = np.array([bar, middle, beat, eighth, fine, 0.9 * eighth, _MIDDLE_TRIPLET * beat])[metre.classes()]
    return _PRIOR_MOMENTS[what] * weight / weight.sum()


def features(
    moments: Moments, at: NDArray[np.float64], beat_s: NDArray[np.float64], metre: Metre, bends: bool
) -> NDArray[np.float32]:
    """Features of readings, (grids, places, features), with each place of the bar as its beginning.

    ``at``: (grids, moments) where each moment lies, in beats from an arbitrary one; ``beat_s``: (grids, moments) or
    (grids, 1) how long a beat lasts there; ``bends``: whether beats follow the player.
    """
    n, parts = metre.places, metre.parts
    place = np.rint(at * parts)
    part_s = np.broadcast_to(beat_s / parts, at.shape)
    fits, on = timing_of((at * parts - place) * part_s, part_s)
    index = place.astype(np.int64) % n
    scale = min(1.0, MOST_MOMENTS / len(moments))
    weights = _weights(moments)
    counts = _counts(index, on, weights, n)
    out = np.zeros((len(at), n, len(NAMES)), np.float32)
    turned = (np.arange(n)[:, np.newaxis] + np.arange(n)) % n  # by beginning of the bar, and place of the bar
    out[:, :, 0] = scale * fits[:, np.newaxis]
    median_part_s = np.median(part_s, axis=1)
    for what in range(3):
        part_ms = (5 * np.rint(200.0 * median_part_s)).astype(int)
        prior = np.stack([_prior(metre, what, int(ms)) for ms in part_ms])
        out[:, :, 1 + what] = scale * _pattern(prior, counts[:, what], turned)
    out[:, :, 4:10] = _tempo(moments, at, np.median(beat_s, axis=1), parts)[:, np.newaxis]
    first, first_bass = index[:, 0], index[:, int(np.argmax(moments.bass))]
    beginning = np.arange(n)
    out[:, :, 10] = on[:, :1] * (first[:, np.newaxis] == beginning)
    out[:, :, 11] = on[:, :1] * ((first[:, np.newaxis] - beginning) % parts == 0)
    if moments.bass.any():
        out[:, :, 12] = first_bass[:, np.newaxis] == beginning
    out[:, :, 13] = scale * len(moments) * (parts == 3)
    out[:, :, 14], out[:, :, 15] = bends, scale * len(moments) * bends
    exactly, classes = len(COUNTED), metre.classes()
    fine = _summed(counts[:, :exactly], turned, classes, len(CLASSES))
    rough = _summed(counts[:, exactly:], turned, _TOGETHER[classes], len(ROUGHLY))
    out[:, :, len(PLAIN) :] = scale * np.concatenate([fine, rough], axis=2)
    return out


def timing_of(
    off_s: NDArray[np.float64], part_s: NDArray[np.float64]
) -> tuple[NDArray[np.float64], NDArray[np.float64]]:
    """Log-likelihood ratios of grids, in nats, and how likely each moment is on its grid."""
    best = np.full(len(off_s), -np.inf)
    on = np.zeros(off_s.shape)
    for spread_s in SPREADS_S:
        likely = (1.0 - STRAY) * part_s * np.exp(-0.5 * (off_s / spread_s) ** 2) / (spread_s * math.sqrt(2.0 * math.pi))
        value = np.log(likely + STRAY).sum(axis=1)
        better = value > best
        best[better] = value[better]
        on[better] = (likely / (likely + STRAY))[better]
    return best, on


def _weights(moments: Moments) -> NDArray[np.float64]:
    """(counted, moments): how much each moment counts, in the order of ``COUNTED`` and ``COUNTED_ROUGHLY``."""
    some = (moments.bass, moments.change, moments.strings, moments.long, moments.pause, moments.level, moments.down)
    return np.stack([np.ones(len(moments)), *(each.astype(np.float64) for each in some)])


def _counts(
    index: NDArray[np.int64], on: NDArray[np.float64], weights: NDArray[np.float64], places: int
) -> NDArray[np.float64]:
    """(grids, counted, places): what lies at each place."""
    key = index + places * np.arange(len(index))[:, np.newaxis]
    size = len(index) * places
    counts = [np.bincount(key.ravel(), (on * weight).ravel(), size).reshape(-1, places) for weight in weights]
    return np.stack(counts, axis=1).astype(np.float64)


def _pattern(prior: NDArray[np.float64], counts: NDArray[np.float64], turned: NDArray[np.int64]) -> NDArray[np.float64]:
    """(grids, beginnings): Dirichlet-multinomial log-likelihood ratio against places played alike."""
    total, worth = counts.sum(axis=1), prior.sum(axis=1)
    here = prior[:, np.newaxis]
    gain = (gammaln(here + counts[:, turned]) - gammaln(here)).sum(axis=2)
    return gain + (gammaln(worth) - gammaln(worth + total) + total * math.log(turned.shape[1]))[:, np.newaxis]


def _summed(
    counts: NDArray[np.float64], turned: NDArray[np.int64], classes: NDArray[np.int64], of: int
) -> NDArray[np.float64]:
    """(grids, beginnings, counted times classes): counts at each of the ``of`` classes of place."""
    n = len(classes)
    which = np.zeros((n, n, of))
    which[np.arange(n)[:, np.newaxis], turned, classes] = 1.0
    summed = np.einsum("gwp,bpc->gbwc", counts, which, optimize=True)
    return summed.reshape(len(counts), n, -1)


def _tempo(moments: Moments, at: NDArray[np.float64], beat_s: NDArray[np.float64], parts: int) -> NDArray[np.float64]:
    """(grids, 6): what the pace of a grid says for and against it."""
    tempo = -0.5 * (np.log2(60.0 / beat_s / PREFERRED_BPM) / PREFERRED_OCTAVES) ** 2
    beats = at[:, -1] - at[:, 0] + 1.0
    moments_each = np.log2(len(moments) / beats)
    bass_each = np.log2(np.maximum(np.count_nonzero(moments.bass), 1) / beats)
    beat = np.floor(at + 0.5 / parts)
    played = (1.0 + np.count_nonzero(np.diff(beat, axis=1), axis=1)) / (beat[:, -1] - beat[:, 0] + 1.0)
    idle = np.maximum(FEWEST_PLAYED - played, 0.0)
    return np.stack([tempo, moments_each, moments_each**2, bass_each, bass_each**2, idle], axis=1)
