"""What the notes of a take say of its beat: moments, and how well a metre explains them.

A *moment* is a note or a strum: notes that begin within ``STRUM_S`` of each other. A *grid* puts every moment at a
place in beats. How well it explains the moments is a log-likelihood ratio, in nats, against notes that fall anywhere:

- timing: the distance of each moment from the nearest place of the grid is normal, but for a share of strays;
- pattern: which places of the bar are played, how often the bass begins there, and how often it changes its pitch
  there. Each is a Dirichlet-multinomial likelihood, whose prior is the usual weight of the places of a bar: the first
  beat weighs most, then the middle of the bar, beats, eighths, sixteenths (F. Lerdahl, R. Jackendoff, "A Generative
  Theory of Tonal Music", 1983). So a syncopated pattern that comes again in every bar is learned from the take;
- where the music begins: most often with a bar (common practice, no source);
- idle beats: something is played in most beats;
- tempo: people take about 120 beats per minute for the beat, if they have the choice (L. van Noorden, D. Moelants,
  "Resonance in the Perception of Musical Pulse", J. New Music Research 28, 1999; D. Moelants, "Preferred tempo
  reconsidered", ICMPC 2002).

The weights of these terms were chosen on 24 performances of GuitarSet (``tests/references/test_beats.py``) and made
ones.
"""

import math
from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache

import numpy as np
from numpy.typing import NDArray
from scipy.special import gammaln

from thumbline.dsp.processor.notes import Note

#: Notes that begin this soon after each other are one strum, s.
STRUM_S = 0.035
#: A note of the bass line belongs to a strum that begins up to this long before or after it, s.
BASS_BEFORE_S, BASS_AFTER_S = 0.02, 0.08
#: A change of the bass by less than this is none, semitones.
SAME_PITCH = 0.6
#: Share of moments that keep to no grid.
STRAY = 0.12
#: Spreads about the grid that are tried, s: strict, usual, loose.
SPREADS_S = (0.010, 0.018, 0.028)
#: Preferred tempo, and how far one is from it, in octaves.
PREFERRED_BPM, PREFERRED_OCTAVES = 118.0, 0.42
#: How much the tempo counts, and where the music begins.
TEMPO_WEIGHT, START_WEIGHT = 15.0, 3.0
#: Probability that a take begins with a bar; and how much likelier another beat is than a place between beats.
STARTS_WITH_BAR, BEAT_OVER_REST = 0.65, 2.0
#: A beat is faster than the music if less than this share of beats has anything played in it; costs per share, nats.
FEWEST_PLAYED, IDLE_COSTS = 0.8, 90.0
#: Moments of one take depend on each other: more than this many say no more.
MOST_MOMENTS = 100
#: Below this length, s, a fourth of a beat is seldom played; ``_RARE_WIDTH_S`` is how softly.
_RARE_S, _RARE_WIDTH_S = 0.105, 0.015


@dataclass(frozen=True)
class Moments:
    """When something is played, in order of time."""

    time_s: NDArray[np.float64]  #: onset of the note, or of the first note of the strum
    bass: NDArray[np.bool_]  #: a note of the bass line begins
    change: NDArray[np.bool_]  #: ... at another pitch than the one before it

    def __len__(self) -> int:
        return len(self.time_s)

    def part(self, keep: NDArray[np.bool_]) -> "Moments":
        """Return some of the moments."""
        return Moments(self.time_s[keep], self.bass[keep], self.change[keep])


def moments_of(notes: Sequence[Note], bassline: Sequence[Note]) -> Moments:
    """Put the onsets of ``notes`` and ``bassline`` (both in order of time) together to moments."""
    onsets = np.sort(np.array([note.onset_s for note in notes or bassline], np.float64))
    if not len(onsets):
        return Moments(onsets, np.zeros(0, bool), np.zeros(0, bool))
    first = np.concatenate([[0], 1 + np.flatnonzero(np.diff(onsets) > STRUM_S)])
    start_s = onsets[first]
    bass, change = np.zeros(len(first), bool), np.zeros(len(first), bool)
    before = math.nan
    for note in bassline:
        at = int(np.argmin(np.abs(start_s - note.onset_s)))
        if start_s[at] - BASS_BEFORE_S <= note.onset_s <= start_s[at] + BASS_AFTER_S:
            bass[at] = True
            change[at] = change[at] or not abs(note.midi - before) <= SAME_PITCH
        before = note.midi
    return Moments(start_s, bass, change)


@dataclass(frozen=True)
class Metre:
    """The places of a bar."""

    beats: int  #: beats per bar
    parts: int  #: places per beat: 4, or 3 where eighths swing

    @property
    def places(self) -> int:
        """Places per bar."""
        return self.beats * self.parts


#: Weights of the places of a bar: its start, its middle, other beats, the eighth between two beats; then what a fourth
#: of a beat has at most and at least. All that is played; where the bass begins; where it changes.
_WEIGHTS = ((1.2, 1.05, 1.0, 0.9, 0.6, 0.1), (2.0, 1.4, 1.0, 0.7, 0.48, 0.08), (4.0, 1.6, 1.0, 0.6, 0.36, 0.06))
#: How many moments each prior is worth, and how much each pattern counts.
_PRIOR_MOMENTS, _PATTERN_WEIGHT = (40.0, 30.0, 24.0), (1.0, 0.5, 0.7)
#: The middle of three parts of a beat, of which swing leaves the second out.
_MIDDLE_TRIPLET = 0.12


@cache
def _priors(metre: Metre, part_ms: int) -> tuple[NDArray[np.float64], ...]:
    """Dirichlet parameters (places,) for each of the three patterns, where a part of a beat lasts ``part_ms``."""
    common = 1.0 / (1.0 + math.exp(-(1e-3 * part_ms - _RARE_S) / _RARE_WIDTH_S))
    priors = []
    for (bar, middle, beat, eighth, most, least), worth in zip(_WEIGHTS, _PRIOR_MOMENTS, strict=True):
        fine = least + (most - least) * common if metre.parts == 4 else _MIDDLE_TRIPLET * beat
        within = [beat, fine, eighth, fine] if metre.parts == 4 else [beat, fine, 0.9 * eighth]
        weight = np.tile(within, metre.beats)
        weight[0] = bar
        if metre.beats % 2 == 0:
            weight[metre.places // 2] = middle
        priors.append(worth * weight / weight.sum())
    return tuple(priors)


@dataclass(frozen=True)
class Judgement:
    """How well a grid explains the moments, in nats, if the bar begins at each of the places."""

    by_place: NDArray[np.float64]  #: (places,)
    timing: float  #: what the distances from the grid alone say


def judge(moments: Moments, at: NDArray[np.float64], beat_s: NDArray[np.float64] | float, metre: Metre) -> Judgement:
    """Judge a grid that puts the moments at ``at`` beats (from an arbitrary beat), where a beat lasts ``beat_s``."""
    place = np.rint(at * metre.parts)
    part_s = np.broadcast_to(np.asarray(beat_s, np.float64) / metre.parts, at.shape)
    off_s = (at * metre.parts - place) * part_s
    likely = [
        (1.0 - STRAY) * part_s * np.exp(-0.5 * (off_s / spread) ** 2) / (spread * math.sqrt(2.0 * math.pi))
        for spread in SPREADS_S
    ]
    timing, on = max(
        ((float(np.log(each + STRAY).sum()), each / (each + STRAY)) for each in likely), key=lambda e: e[0]
    )
    n = metre.places
    index = place.astype(np.int64) % n
    turned = (np.arange(n)[:, np.newaxis] + np.arange(n)) % n
    pattern = np.zeros(n)
    part_ms = int(5 * round(200.0 * float(np.median(part_s))))
    told = (on, on * moments.bass, on * moments.change)
    for count, prior, weight in zip(told, _priors(metre, part_ms), _PATTERN_WEIGHT, strict=True):
        counts = np.bincount(index, weights=count, minlength=n)
        total, worth = counts.sum(), prior.sum()
        gain = (gammaln(prior + counts[turned]) - gammaln(prior)).sum(axis=1)
        pattern += weight * (gain + gammaln(worth) - gammaln(worth + total) + total * math.log(n))
    scale = min(1.0, MOST_MOMENTS / max(len(moments), 1))
    first = (index[0] - np.arange(n)) % n
    start = on[0] * np.log(n * _starts(metre))[first]
    octaves = math.log2(60.0 / float(np.median(beat_s)) / PREFERRED_BPM)
    tempo = -0.5 * (octaves / PREFERRED_OCTAVES) ** 2
    beat = np.floor(at + 0.5 / metre.parts)
    played = len(np.unique(beat)) / (beat[-1] - beat[0] + 1.0)
    idle = IDLE_COSTS * max(FEWEST_PLAYED - played, 0.0)
    by_place = scale * (timing + pattern) + START_WEIGHT * start + TEMPO_WEIGHT * tempo - idle
    return Judgement(by_place, scale * timing)


def _starts(metre: Metre) -> NDArray[np.float64]:
    """How likely each place of the bar is to be the first one played."""
    odds = np.where(np.arange(metre.places) % metre.parts == 0, BEAT_OVER_REST, 1.0)
    odds[0] = 0.0
    odds *= (1.0 - STARTS_WITH_BAR) / max(odds.sum(), 1e-9)
    odds[0] = STARTS_WITH_BAR
    return odds
