"""Strings whose pitch is known: the material on which trackers are compared.

A *track* is one string's signal with its pitch at every frame, plucked again and again. The recordings are read from
the folder named by the environment variable ``THUMBLINE_RECORDINGS``.
"""

from dataclasses import dataclass, replace
from functools import cache

import numpy as np
import soundfile

from tests.helpers.places import recorded
from thumbline.dsp.note_names import note_to_midi
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.string_model import GuitarString, Pluck, Signal, Vibrato, midi_to_hz, stiff_inharmonicity

RATE = 48_000
HISS_DB = -85.0
GUITAR = ("E4", "B3", "G3", "D3", "A2", "E2")
#: Open string: its tuning, core diameter (mm), tension (N), scale (mm); plausible, no source.
MODEL_STRINGS: dict[str, tuple[tuple[str, ...], float, float, float]] = {
    "E4": (GUITAR, 0.254, 73.0, 648.0),
    "B3": (GUITAR, 0.330, 69.0, 648.0),
    "G3": (GUITAR, 0.432, 74.0, 648.0),
    "D3": (GUITAR, 0.356, 82.0, 648.0),
    "A2": (GUITAR, 0.394, 86.0, 648.0),
    "E2": (GUITAR, 0.419, 78.0, 648.0),
    "C2": (("C4", "G3", "D#3", "A#2", "F2", "C2"), 0.457, 85.0, 648.0),
    "B1": ((*GUITAR, "B1"), 0.457, 80.0, 673.0),
    "B0": (("C3", "G2", "D2", "A1", "E1", "B0"), 0.700, 160.0, 864.0),
}
#: The low string's Cs were recorded on a string tuned down to C.
RECORDED_STRINGS = (*GUITAR, "C2")
SOLOS = ("00_BN1-129-Eb", "00_Funk1-114-Ab", "00_Jazz1-130-D", "00_Rock1-130-A")


@dataclass(frozen=True)
class Track:
    """One string alone. ``truth_hz`` has as many frames as ``sound``; NaN where the string is at rest."""

    name: str
    tuning: tuple[str, ...]
    sound: Signal
    truth_hz: Signal
    plucks_s: tuple[float, ...]
    rate: int = RATE
    frets: int = 24

    @property
    def string(self) -> int:
        return self.tuning.index(self.name) + 1

    @property
    def lowest_hz(self) -> float:
        """1.5 semitones below the open string."""
        return float(midi_to_hz(note_to_midi(self.name) - 1.5))

    @property
    def highest_hz(self) -> float:
        """Two semitones above the last fret."""
        return float(midi_to_hz(note_to_midi(self.name) + self.frets + 2.0))


@cache
def model_track(name: str) -> Track:
    """A stiff string with a plectrum's scrape and a little hiss.

    Six notes, off the tempered grid and gliding: open, strong, bent and released, with vibrato, soft, and high.
    """
    tuning, core_mm, tension_n, scale_mm = MODEL_STRINGS[name]
    low = note_to_midi(name)
    stiffness = stiff_inharmonicity(core_mm, tension_n, scale_mm)
    string = GuitarString(low, stiffness, sensitivity=0.22, scale_mm=scale_mm)
    starts = [0.3 + 1.2637 * i for i in range(6)]
    plain = [Pluck(start, low, start + 1.0, glide_cents=8.0) for start in starts]
    plucks = [
        replace(plain[0], midi=low + 0.137),
        replace(plain[1], midi=low + 2.769, velocity=0.95, pluck_mm=90.0),
        replace(plain[2], midi=low + 5.083, bend=((0.25, 0.0), (0.45, 195.0), (0.7, 195.0), (0.85, 0.0))),
        replace(plain[3], midi=low + 6.853, vibrato=Vibrato(0.2, 35.0, 5.3)),
        replace(plain[4], midi=low + 12.219, velocity=0.4, pluck_mm=140.0, width_mm=5.0),
        replace(plain[5], midi=low + 21.061, pluck_mm=70.0),
    ]
    frames = round((starts[-1] + 1.3) * RATE)
    rng = np.random.default_rng(low)
    sound, truth = render_string(string, plucks, frames, RATE, rng)
    noise = hiss(frames, 1, HISS_DB, rng)[:, 0]
    return Track(name, tuning, np.asarray(sound + noise), np.asarray(truth), tuple(starts))


def take_of(string: int, plucks: list[Pluck], rng: np.random.Generator) -> tuple[Signal, Signal]:
    """Six channels in which one string of the demo guitar is played, and its pitch."""
    frames = round((plucks[-1].start_s + 0.6) * RATE)
    sound, hz = render_string(STRINGS[string], plucks, frames, RATE, rng)
    take = hiss(frames, 6, HISS_DB, rng)
    take[:, string - 1] += sound
    return take, hz


def random_plucks(string: int, count: int, rng: np.random.Generator) -> list[Pluck]:
    """Notes anywhere on the string, soft and strong, near the bridge and far, with plectrum and thumb."""
    plucks = []
    for i in range(count):
        midi = STRINGS[string].open_midi + rng.uniform(0, 22)
        place = min(rng.uniform(60.0, 160.0), 0.8 * STRINGS[string].length_mm(midi))
        start = 0.5 + 0.5 * i + rng.uniform(0, 0.01)
        width = float(rng.choice([2.0, 5.0]))
        plucks.append(Pluck(start, midi, start + 0.32, rng.uniform(0.25, 1.0), place, width, glide_cents=8.0))
    return plucks


def first_partial_hz(sound: Signal, near_hz: float) -> float:
    """The spectral peak within a semitone: Hann window, eight times as many zeros, parabola through log magnitudes."""
    size = 8 * len(sound)
    magnitude = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), size))
    hz = np.fft.rfftfreq(size, 1 / RATE)
    inside = np.flatnonzero((hz > near_hz / 1.06) & (hz < near_hz * 1.06))
    i = int(inside[np.argmax(magnitude[inside])])
    a, b, c = np.log(magnitude[i - 1 : i + 2])
    return float((i + 0.5 * (a - c) / (a - 2 * b + c)) * hz[1])


#: A string is let go where half a millisecond of it first reaches this level below the loudest one. What comes before
#: is the pick that touches and pushes it, for 20 ms in some of the recordings.
RELEASE_DB = -12.0
NOTE_S, PAUSE_S, FADE_S = 1.6, 0.3, 0.02


def release(sound: Signal) -> int:
    """The frame at which the string of a recorded note is let go."""
    span = RATE // 2000
    power = np.convolve(sound**2, np.ones(span), "valid")
    return int(np.argmax(power > 10 ** (RELEASE_DB / 10) * power.max())) + span // 2


@cache
def recorded_track(name: str) -> Track:
    """All recorded notes of one string in a row. Truth: each note's first partial after 0.3 s, by a long spectrum."""
    tuning = (*GUITAR[:-1], name) if name == "C2" else GUITAR
    number = 6 - tuning.index(name)
    fade, pause = round(FADE_S * RATE), np.zeros(round(PAUSE_S * RATE))
    sound, truth, plucks = [pause], [pause * np.nan], []
    for file in sorted(recorded("notes").glob(f"*_s{number}_*.flac")):
        written = file.stem.split("_")[0].replace("s", "#")
        if number == 1 and (written == "C2") != (name == "C2"):
            continue
        frames, rate = soundfile.read(file)
        assert rate == RATE
        note = np.asarray(frames, np.float64)[: round(NOTE_S * RATE)]
        note[-fade:] *= np.linspace(1, 0, fade)
        begin = release(note)
        known = np.full(len(note), np.nan)
        known[begin:-fade] = first_partial_hz(note[round(0.3 * RATE) : -fade], float(midi_to_hz(note_to_midi(written))))
        plucks.append((sum(map(len, sound)) + begin) / RATE)
        sound += [note, pause]
        truth += [known, pause * np.nan]
    frames = np.concatenate(sound)
    frames += hiss(len(frames), 1, HISS_DB, np.random.default_rng(number))[:, 0]
    return Track(name, tuning, frames, np.concatenate(truth), tuple(plucks))


#: The annotation has a row at each multiple of this; where several strings ring, none is *the* pitch: not asked.
ANNOTATION_S = 256 / 44_100


@cache
def solo_track(name: str) -> tuple[Track, Signal, Signal]:
    """A solo of GuitarSet (Xi et al., ISMIR 2018), mixed to one channel; times and Hz (0: rest) to be asked for."""
    sound, rate = soundfile.read(recorded("guitarset", f"{name}_solo_mix.flac"))
    rows = np.loadtxt(recorded("guitarset", f"{name}_solo_f0.csv"), delimiter=",", skiprows=1)
    hz, strings = np.zeros(int(len(sound) / rate / ANNOTATION_S)), np.zeros(int(len(sound) / rate / ANNOTATION_S))
    for time, _, value in rows:
        i = min(round(time / ANNOTATION_S), len(hz) - 1)
        hz[i] = value
        strings[i] += 1
    asked = np.flatnonzero(strings <= 1)
    track = Track("E2", GUITAR, np.asarray(sound, np.float64), np.zeros(0), (), rate, frets=36)
    return track, asked * ANNOTATION_S, hz[asked]
