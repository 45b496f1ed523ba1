"""The demo piece as data: "Slack Water at Tarnholm", for solo guitar.

The scenario is invented: a guitarist closes a set in the ferry café on Tarnholm quay alone, and the guitar has to be
the bass as well. In eleven bars the piece asks for what makes that hard:

====  ===================================================================================================
bar   what happens to the bass
====  ===================================================================================================
1, 2  a thumb alternates between low strings under chords and a melody
3     strums: the lowest string of each is the bass, an up-strum that leaves it out is not; then thumps
4     a chord whose low strings stop one after another, so that a higher string becomes the bass; thumps
5     a walking line on the two lowest strings, with hammer-ons and pull-offs, under short chords
6     a pedal note under a bend with vibrato, which is the bass itself once the pedal stops; a harmonic
7     one note repeated, loud and soft; a slow rolled chord
8-11  the palm mutes the thumb's notes: long, short, and in sixteenths; some are cut off at once
====  ===================================================================================================
"""

from collections.abc import Mapping
from dataclasses import dataclass

from thumbline.dsp.synthetic.string_model import GuitarString, Vibrato, stiff_inharmonicity

TITLE = "Slack Water at Tarnholm"
BEAT_S = 0.56


@dataclass(frozen=True)
class Note:
    """One written note. It is held for ``beats`` beats, or until its string is played again."""

    beat: float
    string: int
    fret: int
    beats: float
    velocity: float = 0.6
    late_s: float = 0.0
    """Delay within a strum."""
    slur_to: int | None = None
    """Fret that is hammered on, or pulled off to, half way through."""
    thumb: bool = False
    harmonic: int = 1
    bend: tuple[tuple[float, float], ...] = ()
    vibrato: Vibrato | None = None
    palm_s: float | None = None
    """Decay (see `PalmMute`) where the palm lies on the string."""


@dataclass(frozen=True)
class Knock:
    """Damped strings struck together."""

    beat: float
    strings: tuple[int, ...]
    velocity: float = 0.5


def strum(
    beat: float,
    frets: Mapping[int, int],
    beats: float,
    velocity: float,
    *,
    spread_s: float = 0.009,
    up: bool = False,
) -> tuple[Note, ...]:
    """Return a chord ``{string: fret}`` played across the strings, lowest first unless ``up``."""
    order = sorted(frets, reverse=not up)
    return tuple(
        Note(beat, string, frets[string], beats, velocity, late_s=rank * spread_s) for rank, string in enumerate(order)
    )


def muted(
    string: int, frets: Mapping[float, int], palm_s: float, velocity: float, beats: float = 0.5
) -> tuple[Note, ...]:
    """Return palm-muted notes of the thumb, ``{beat: fret}``, on one string; each is stopped after ``beats``."""
    return tuple(Note(beat, string, fret, beats, velocity, thumb=True, palm_s=palm_s) for beat, fret in frets.items())


def steel(open_midi: float, core_mm: float, tension_n: float, sensitivity: float) -> GuitarString:
    """Return a steel string. Core and tension are those of a common light set (from memory, rounded)."""
    return GuitarString(open_midi, stiff_inharmonicity(core_mm, tension_n, 648.0), sensitivity=sensitivity)


STRINGS: Mapping[int, GuitarString] = {
    1: steel(64.02, 0.254, 73.0, 0.20),
    2: steel(58.98, 0.330, 69.0, 0.22),
    3: steel(55.03, 0.432, 74.0, 0.24),
    4: steel(50.00, 0.356, 82.0, 0.21),
    5: steel(45.01, 0.394, 86.0, 0.23),
    6: steel(39.97, 0.419, 78.0, 0.22),
}
"""The guitar: in standard tuning as a player leaves it, a few cents off; coils of unequal strength."""

SCORE: tuple[Note | Knock, ...] = (
    # Bar 1: A minor.
    Note(0, 5, 0, 1.04, 0.70, thumb=True),
    Note(0, 1, 0, 1.5, 0.80),
    Note(0.5, 3, 2, 0.9, 0.42),
    Note(1, 4, 2, 1.04, 0.55, thumb=True),
    Note(1.5, 2, 1, 1, 0.48),
    Note(2, 6, 0, 1.04, 0.72, thumb=True),
    Note(2, 1, 3, 1, 0.75),
    Note(2.5, 3, 2, 1.4, 0.40),
    Note(3, 4, 2, 1.04, 0.55, thumb=True),
    Note(3, 1, 0, 0.5, 0.62),
    Note(3.5, 2, 3, 0.45, 0.60),
    # Bar 2: F, with its fifth below.
    Note(4, 6, 1, 1.04, 0.75, thumb=True),
    Note(4, 2, 1, 1.5, 0.80),
    Note(4.5, 3, 2, 1, 0.40),
    Note(5, 4, 3, 1.04, 0.55, thumb=True),
    Note(5.5, 1, 1, 1, 0.50),
    Note(6, 5, 3, 1.04, 0.70, thumb=True),
    Note(6, 2, 3, 0.9, 0.70),
    Note(6.5, 3, 2, 1.3, 0.40),
    Note(7, 4, 3, 0.9, 0.55, thumb=True),
    Note(7, 2, 1, 0.5, 0.62),
    Note(7.5, 2, 0, 0.45, 0.55),
    # Bar 3: C and G, strummed.
    *strum(8, {5: 3, 4: 2, 3: 0, 2: 1, 1: 0}, 1.8, 0.80),
    *strum(9, {3: 0, 2: 1, 1: 0}, 0.7, 0.48, up=True),
    *strum(10, {6: 3, 5: 2, 4: 0, 3: 0, 2: 0, 1: 3}, 1.4, 0.90),
    *strum(11, {3: 0, 2: 0, 1: 3}, 0.45, 0.48, up=True),
    Knock(11.5, (4, 5, 6), 0.45),
    # Bar 4: E minor, whose strings stop from the lowest up.
    Note(12, 6, 0, 0.9, 0.85),
    Note(12, 5, 2, 1.5, 0.80, late_s=0.009),
    Note(12, 4, 2, 2.1, 0.78, late_s=0.018),
    Note(12, 3, 0, 2.7, 0.75, late_s=0.027),
    Note(12, 2, 0, 3.2, 0.75, late_s=0.036),
    Note(12, 1, 0, 3.4, 0.80, late_s=0.045),
    Knock(15.5, (5, 6), 0.55),
    # Bar 5: the line walks.
    Note(16, 6, 0, 0.45, 0.80),
    Note(16.5, 6, 2, 0.5, 0.70, slur_to=3),
    Note(17, 5, 0, 0.5, 0.70, slur_to=2),
    *strum(17, {2: 3, 1: 3}, 0.3, 0.50),
    Note(17.5, 5, 3, 0.5, 0.75, slur_to=2),
    Note(18, 5, 2, 0.5, 0.65, slur_to=0),
    Note(18.5, 6, 3, 0.5, 0.80),
    *strum(18.5, {2: 1, 1: 0}, 0.3, 0.50),
    Note(19, 6, 2, 0.5, 0.70, slur_to=0),
    Note(19.5, 6, 1, 0.45, 0.75),
    # Bar 6: a bend over a pedal.
    Note(20, 5, 0, 2, 0.65, thumb=True),
    Note(
        20.5, 2, 13, 2.4, 0.85, bend=((0.15, 0.0), (0.30, 200.0), (1.15, 200.0), (1.30, 0.0)),
        vibrato=Vibrato(0.5, 35.0, 5.5),
    ),
    Note(23, 1, 0, 0.95, 0.80, harmonic=2),
    # Bar 7: one note again and again; the last chord.
    Note(24, 6, 0, 0.5, 0.95, thumb=True),
    Note(24, 1, 7, 1.8, 0.70, vibrato=Vibrato(0.3, 25.0)),
    Note(24.5, 6, 0, 0.5, 0.45, thumb=True),
    Note(25, 6, 0, 0.5, 0.75, thumb=True),
    Note(25.5, 6, 0, 0.45, 0.30, thumb=True),
    *strum(26, {5: 0, 4: 2, 3: 2, 2: 1, 1: 0}, 2.9, 0.75, spread_s=0.055),
    # Bar 8: the palm comes down lightly.
    *muted(5, {28: 0, 29: 0, 30: 0, 31: 3, 31.5: 2}, 0.25, 0.75),
    *muted(4, {28.5: 2, 30.5: 2}, 0.25, 0.60),
    *muted(6, {29.5: 0}, 0.25, 0.80),
    Note(29, 1, 5, 0.95, 0.65),
    Note(30, 2, 5, 0.95, 0.55),
    Note(31, 2, 3, 0.9, 0.60),
    # Bar 9: harder.
    *muted(6, {32: 1, 33: 1, 35: 1, 35.5: 3}, 0.12, 0.80),
    *muted(5, {32.5: 3, 33.5: 3, 34.5: 3}, 0.12, 0.70),
    *muted(4, {34: 3}, 0.12, 0.65),
    *strum(33, {3: 2, 2: 1, 1: 1}, 0.4, 0.55),
    *strum(35, {3: 2, 2: 1, 1: 1}, 0.4, 0.50),
    # Bar 10: sixteenths.
    *muted(5, {36: 3, 36.25: 3, 36.5: 3, 37.5: 2, 39: 2}, 0.07, 0.80, 0.25),
    *muted(4, {37: 2, 37.25: 2}, 0.07, 0.70, 0.25),
    *muted(6, {38: 3, 38.25: 3, 38.5: 3, 39.5: 3, 39.75: 2}, 0.07, 0.85, 0.25),
    Note(36, 1, 3, 1.9, 0.60),
    Note(38, 1, 1, 1.9, 0.60),
    # Bar 11: cut off at once; then the palm is lifted.
    *muted(6, {40: 0, 40.5: 0, 42: 0, 42.5: 3}, 0.18, 0.80, 0.16),
    *muted(5, {41: 2, 41.5: 2}, 0.18, 0.75, 0.12),
    *strum(40.5, {3: 0, 2: 0, 1: 0}, 0.3, 0.50),
    *strum(43, {5: 0, 4: 2, 3: 2, 2: 1, 1: 0}, 1.5, 0.75),
)  # fmt: skip
