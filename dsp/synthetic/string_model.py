"""One plucked guitar string seen by one magnetic pickup: known sound with known pitch.

Modal synthesis: a note is a sum of decaying partials whose frequencies, amplitudes and decay follow from the
string. So the exact pitch at every frame is known, which no recording can offer. Conventions:

- Frequencies in Hz, times in seconds, places along the string in millimetres from the bridge.
- The pitch of a note is the frequency of its *first partial*; stiffness raises the rest above its multiples.
- ``midi`` is fractional, 69 = 440 Hz.
- The pickup senses velocity, and the string is let go at rest: every partial is a sine that starts at 0, so
  that a note begins without a step.

Left out: the two planes of vibration (beating), coupling of strings through the bridge, the change of
inharmonicity with the tension of a bend, the phase of the coil's low-pass.

Sources
-------
[FR]   N. H. Fletcher, T. D. Rossing, *The Physics of Musical Instruments*, 2nd ed., Springer 1998, chapter 2
       (from memory).
[F64]  H. Fletcher, "Normal vibration frequencies of a stiff piano string", JASA 36 (1964) 203-209
       (from memory).
[CA]   A. Chaigne, A. Askenfelt, "Numerical simulations of piano strings I", JASA 95 (1994) 1112-1118: decay
       that grows with the square of frequency (from memory).
[PPV]  R. C. D. Paiva, J. Pakarinen, V. Välimäki, "Acoustics and modeling of pickups", J. Audio Eng. Soc. 60
       (2012) 768-782: place and width of a pickup that senses velocity, low-pass of its coil.
[LSAB] N. Lee, J. O. Smith, J. Abel, D. Berners, "Pitch glide analysis and synthesis from recorded tones",
       DAFx-09: pitch falls exponentially after a pluck, tied to the decay of the vibration.
"""

from dataclasses import dataclass
from itertools import pairwise
from typing import overload

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.synthetic.palm_mute import PalmMute

Signal = NDArray[np.floating]

HIGHEST_PARTIAL = 0.45
"""Partials above this share of the sample rate are left out."""
INAUDIBLE = 1e-5
"""Amplitude (-100 dBFS, a third of a step of 16 bits) below which a partial is not computed."""
SLUR_S = 0.004
"""Time in which a finger that hammers on or pulls off changes the string's length; an estimate."""


@dataclass(frozen=True)
class GuitarString:
    """One string and its pickup. A partial at f decays as ``exp(-(decay_low + decay_high f^2) t)`` [CA]."""

    open_midi: float
    inharmonicity: float
    """B of the open string, 0 for a perfectly flexible one; see `stiff_inharmonicity`."""
    decay_low: float = 0.8
    """Per second."""
    decay_high: float = 2.5e-7
    """Seconds."""
    sensitivity: float = 1.0
    """Factor from the model's amplitude to the pickup's."""
    scale_mm: float = 648.0
    pickup_mm: float = 45.0
    pickup_width_mm: float = 2.5
    """Standard deviation of the stretch of string that the pickup sees."""
    coil_hz: float = 5000.0
    """Corner of the second-order low-pass that coil and cable form (Butterworth); infinite for none."""

    def length_mm(self, midi: float) -> float:
        """Vibrating length when stopped at ``midi``: a fret shortens the string and keeps its tension."""
        return self.scale_mm * 2.0 ** ((self.open_midi - midi) / 12.0)

    def coil_gain(self, hz: Signal) -> Signal:
        """Gain of coil and cable at frequencies ``hz``."""
        return 1 / np.sqrt(1 + (hz / self.coil_hz) ** 4)

    def inharmonicity_at(self, midi: float | Signal) -> float | Signal:
        """B when stopped at ``midi``: it grows as 1 / length^2 [F64], so as 2^(fret / 6)."""
        return self.inharmonicity * 2.0 ** ((midi - self.open_midi) / 6.0)


@dataclass(frozen=True)
class Slur:
    """A hammer-on or pull-off: a new pitch without a pluck."""

    after_s: float
    midi: float
    strength: float = 0.0
    """How hard the finger sets the string going, as `Pluck.velocity`; 0 only changes the string's length."""


@dataclass(frozen=True)
class Vibrato:
    """Pitch between the note and ``depth_cents`` above it: a finger on a fret can only pull it sharp."""

    after_s: float
    depth_cents: float
    rate_hz: float = 5.0
    rise_s: float = 0.2


@dataclass(frozen=True)
class Pluck:
    """One note. Times called ``after_s`` count from ``start_s``, the moment the string is let go."""

    start_s: float
    midi: float
    """Pitch of the stopped string once the glide is over."""
    stop_s: float = np.inf
    """When a hand begins to stop the string."""
    velocity: float = 0.7
    """Height of the pluck, 1 = strong."""
    pluck_mm: float = 120.0
    width_mm: float = 2.0
    """Standard deviation of the stretch that is bent: about 2 for a plectrum, 5 for a thumb (estimates)."""
    damp_s: float = 0.015
    """Time in which the hand takes 60 dB away."""
    glide_cents: float = 0.0
    """How sharp the note starts at ``velocity`` 1. Extra tension goes with the square of amplitude [LSAB]."""
    bend: tuple[tuple[float, float], ...] = ()
    """``(after_s, cents)`` points, joined smoothly and held at either end."""
    vibrato: Vibrato | None = None
    slurs: tuple[Slur, ...] = ()
    harmonic: int = 1
    """h > 1: a natural harmonic, only partials h, 2h, ... sound; ``midi`` is still that of the string."""
    palm: PalmMute | None = None

    def __post_init__(self) -> None:
        """Refuse what no player can do."""
        if self.harmonic < 1:
            raise ValueError(f"harmonic: got {self.harmonic}, accepted is 1 or more")
        if not self.stop_s > self.start_s:
            raise ValueError(f"stop_s: got {self.stop_s} s, accepted is later than start_s ({self.start_s} s)")
        times = [after for after, _ in self.bend]
        if any(b <= a for a, b in pairwise(times)):
            raise ValueError(f"bend: got points at {times} s, accepted are increasing times")


@overload
def midi_to_hz(midi: float) -> float: ...
@overload
def midi_to_hz(midi: Signal) -> Signal: ...
def midi_to_hz(midi: float | Signal) -> float | Signal:
    """Return the frequency of a fractional MIDI note, 69 = 440 Hz."""
    return 440.0 * 2.0 ** ((midi - 69.0) / 12.0)


def stiff_inharmonicity(core_mm: float, tension_n: float, length_mm: float, young_pa: float = 2.0e11) -> float:
    """Return B = pi^3 E d^4 / (64 T L^2) of a string of core diameter d, tension T and length L [F64].

    Young's modulus is that of steel, 200 GPa (handbook value, from memory). A winding adds mass, but next to
    no stiffness.
    """
    return np.pi**3 * young_pa * (core_mm * 1e-3) ** 4 / (64 * tension_n * (length_mm * 1e-3) ** 2)


def partial_ratio(n: int | NDArray[np.int_], inharmonicity: float | Signal) -> float | Signal:
    """Return the frequency of partial n divided by the first's: n sqrt((1 + B n^2) / (1 + B)) [F64], [FR]."""
    return np.multiply(n, np.sqrt((1.0 + inharmonicity * np.square(n)) / (1.0 + inharmonicity)))


def partial_amplitudes(n: NDArray[np.int_], pluck: float, pickup: float, width: float = 0.0) -> Signal:
    """Return the velocity amplitudes of partials ``n`` of a string plucked at p and seen at q.

    An ideal pluck displaces partial n by sin(n pi p) / n^2 [FR]; the pickup sees sin(n pi q) of that and
    senses velocity, a factor n [PPV]. ``width`` blurs both places with a Gaussian: exp(-(n pi width)^2 / 2).
    All are fractions of the vibrating length. The factor 4 / pi scales the ideal string's velocity, which is
    a train of rectangles, to height 1, whatever p and q.
    """
    comb = np.sin(n * np.pi * pluck) * np.sin(n * np.pi * pickup)
    return 4 / np.pi * comb / n * np.exp(-((n * np.pi * width) ** 2) / 2)


def stopped_midi(pluck: Pluck, seconds: Signal) -> Signal:
    """Return the note at which the string is stopped ``seconds`` after its release: slurs, but no bends."""
    midi = np.full(len(seconds), float(pluck.midi))
    for slur in pluck.slurs:
        midi += (slur.midi - midi) * _rise((seconds - slur.after_s) / SLUR_S)
    return midi


def first_partial_hz(string: GuitarString, pluck: Pluck, seconds: Signal) -> Signal:
    """Return the frequency of the stopped string's first partial ``seconds`` after its release."""
    cents = np.zeros(len(seconds))
    if pluck.glide_cents:  # tension follows the square of amplitude, so it relaxes at twice the rate
        decay = string.decay_low + string.decay_high * midi_to_hz(pluck.midi) ** 2
        decay += pluck.palm.rate(1.0) if pluck.palm else 0.0
        cents += pluck.glide_cents * pluck.velocity**2 * np.exp(-2 * decay * seconds)
    if pluck.bend:
        cents += pluck.bend[0][1]
    for (begin, low), (end, high) in pairwise(pluck.bend):
        cents += (high - low) * _rise((seconds - begin) / (end - begin))
    if pluck.vibrato is not None:
        since = seconds - pluck.vibrato.after_s
        swing = 0.5 - 0.5 * np.cos(2 * np.pi * pluck.vibrato.rate_hz * since)
        cents += pluck.vibrato.depth_cents * swing * _rise(since / pluck.vibrato.rise_s)
    return midi_to_hz(stopped_midi(pluck, seconds) + cents / 100)


def render_pluck(string: GuitarString, pluck: Pluck, seconds: Signal) -> tuple[Signal, Signal]:
    """Return the signal and the pitch (Hz) of a note at ``seconds`` (evenly spaced, >= 0) after its release.

    The pitch of a natural harmonic is that of its lowest sounding partial. Nothing stops the note: see
    `damping`.
    """
    hz = first_partial_hz(string, pluck, seconds)
    stiffness = np.asarray(string.inharmonicity_at(stopped_midi(pluck, seconds)))
    signal = np.zeros(len(seconds))
    pushes = [(0.0, pluck.midi, pluck.velocity), *((s.after_s, s.midi, s.strength) for s in pluck.slurs)]
    for after_s, midi, velocity in pushes:
        begin = int(np.searchsorted(seconds, after_s))
        part = _Motion(seconds[begin:] - after_s, hz[begin:], stiffness[begin:])
        if velocity and len(part.seconds) > 1:
            signal[begin:] += _vibration(string, pluck, midi, velocity, part)
    return signal, hz * partial_ratio(pluck.harmonic, stiffness)


@dataclass(frozen=True)
class _Motion:
    """The course of a string after a push: time since then, first partial (Hz), inharmonicity."""

    seconds: Signal
    hz: Signal
    stiffness: Signal


def _vibration(string: GuitarString, pluck: Pluck, midi: float, velocity: float, motion: _Motion) -> Signal:
    """Return the sum of the partials that one push of ``velocity`` on a string at ``midi`` sets going."""
    length = string.length_mm(midi)
    if not pluck.pluck_mm < length:
        raise ValueError(f"pluck_mm: got {pluck.pluck_mm}, accepted is less than the string ({length:.1f} mm)")
    step = float(motion.seconds[1] - motion.seconds[0])
    limit = HIGHEST_PARTIAL / step / float(motion.hz.max())
    n = np.arange(pluck.harmonic, int(limit) + 1, pluck.harmonic)
    ratio = np.asarray(partial_ratio(n, float(motion.stiffness.max())))
    n, ratio = n[ratio < limit], ratio[ratio < limit]
    width = float(np.hypot(pluck.width_mm, string.pickup_width_mm)) / length
    amplitude = partial_amplitudes(n, pluck.pluck_mm / length, string.pickup_mm / length, width)
    partial_hz = ratio * midi_to_hz(midi)
    amplitude *= velocity * string.sensitivity * string.coil_gain(partial_hz)
    decay = string.decay_low + string.decay_high * partial_hz**2
    slowest = decay + pluck.palm.rate(ratio) if pluck.palm else decay
    nepers = np.log(np.maximum(np.abs(amplitude) / INAUDIBLE, 1.0))
    audible_s = np.divide(nepers, slowest, out=np.full_like(decay, np.inf), where=slowest > 0)
    frames = np.searchsorted(motion.seconds, audible_s)
    out = np.zeros(len(motion.seconds))
    cycles = _integral(motion.hz, float(motion.seconds[0]), step)
    for order, multiple, gain, rate, stop in zip(n, ratio, amplitude, decay, frames, strict=True):
        if stop == 0:
            continue
        if pluck.slurs:
            hz = motion.hz[:stop] * partial_ratio(order, motion.stiffness[:stop])
            turns = _integral(hz, float(motion.seconds[0]), step)
        else:
            turns = cycles[:stop] * partial_ratio(order, float(motion.stiffness[0]))
        # Whole cycles go in double precision; what remains needs no more than single (-130 dB).
        phase = np.asarray(2 * np.pi * (turns - np.rint(turns)), np.float32)
        since = motion.seconds[:stop].astype(np.float32)
        envelope = np.exp(-np.float32(rate) * since)
        if pluck.palm:
            envelope *= pluck.palm.envelope(float(multiple), since)
        out[:stop] += np.float32(gain) * envelope * np.sin(phase)
    return out


def _integral(rate: Signal, first_s: float, step_s: float) -> Signal:
    """Return the integral of ``rate`` from time 0 by the trapezoidal rule; ``first_s``: its first time."""
    return (np.cumsum(rate) - 0.5 * (rate + rate[0])) * step_s + rate[0] * first_s


def _rise(x: Signal) -> Signal:
    """Return a cosine-shaped rise from 0 (x <= 0) to 1 (x >= 1)."""
    return 0.5 - 0.5 * np.cos(np.pi * np.clip(x, 0, 1))


def damping(seconds: Signal, stop_s: float, damp_s: float) -> Signal:
    """Return the gain of a hand that lands at ``stop_s`` and grips ever tighter: level falls as a parabola.

    -60 dB after ``damp_s``, -240 dB after twice that, without a step in level or slope.
    """
    return np.exp(-np.log(1000.0) * np.square(np.maximum(seconds - stop_s, 0.0) / damp_s))
