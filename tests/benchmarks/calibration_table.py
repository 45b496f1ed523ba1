"""What `calibrate` says of open strings that are recorded wrongly, or of a guitar that is not what the rig says.

Run with the folder of recordings in THUMBLINE_RECORDINGS::

    python -m tests.benchmarks.calibration_table [OPEN_STRINGS...]

From a take of open strings the plucks of each string are taken, unmixed by the known bleed, and laid out anew in some
thirty variants. Of each: what is left of one string in the channel of another when the measured bleed is taken out, how
far a level is off that of the plain take, and the warnings. A variant is *right* if less than -40 dB are left and every
level is within 3 dB, *told* if a warning holds the words that name what is wrong, and *wrong, silent* otherwise: of
these there must be none, and the exit code says so. The table stands in dsp/calibration/DESIGN.md.
"""

import json
import sys
import tempfile
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, resample, sosfilt

from tests.helpers.places import recorded
from thumbline.dsp.calibration.calibrate import Calibration, calibrate
from thumbline.dsp.rig.model import Rig

Signal = NDArray[np.float64]
LEAD_S, APART_S, LASTS_S, RATE = 1.2, 1.2, 1.1, 24_000
RIGHT_LEFT_DB, RIGHT_LEVEL_DB = -40.0, 3.0
STRINGS = range(6)


@dataclass
class Guitar:
    """Plucks of each string alone, from string 1, at ``RATE``, and its bleed."""

    name: str
    plucks: list[list[Signal]]
    bleed: Signal


def load(name: str) -> Guitar:
    """Return two plucks of each string of a recorded take of open strings."""
    frames, rate = soundfile.read(recorded("takes", f"{name}.flac"))
    truth = json.loads(recorded("takes", f"{name}.json").read_text("utf-8"))
    bleed = np.array(truth["bleed"])
    clean = (frames @ np.linalg.inv(bleed).T)[:: rate // RATE] if rate % RATE == 0 else frames
    plucks: list[list[Signal]] = [[] for _ in STRINGS]
    for note in truth["notes"]:
        first = round((note["onset"] - 0.02) * RATE)
        cut = clean[first : first + round(LASTS_S * RATE), note["string"] - 1].copy()
        cut[:240] *= np.linspace(0.0, 1.0, 240)
        cut[-480:] *= np.linspace(1.0, 0.0, 480)
        plucks[note["string"] - 1].append(cut)
    return Guitar(name, [each[:2] for each in plucks], bleed)


@dataclass
class Layout:
    """How the plucks are laid out, and what the pickup and the room add."""

    cents: Mapping[int, float] = field(default_factory=dict)  #: by string, from 1
    gain_db: Mapping[int, float] = field(default_factory=dict)  #: of a string
    channel_db: Mapping[int, float] = field(default_factory=dict)  #: of a channel, with all that it hears
    lasts_s: float = LASTS_S
    count: int = 2
    lead_s: float = LEAD_S
    order: Sequence[int] = (6, 5, 4, 3, 2, 1)
    together: bool = False  #: strums
    rings: bool = False  #: strings are left to ring into the next
    bleed_db: float = 0.0  #: more bleed than the guitar has
    colour_hz: float | None = None  #: bleed is low-passed
    noise_db: float = -84.0
    hum: tuple[float, float] | None = None  #: Hz, dBFS
    inverted: Sequence[int] = ()  #: coils
    after: Callable[[Signal, np.random.Generator], Signal] | None = None  #: what befalls the finished take


def lay_out(guitar: Guitar, how: Layout) -> tuple[Signal, Signal]:
    """Return the take, (n, 6), and what each channel hears of each string, (n, 6 channels, 6 strings)."""
    rng = np.random.default_rng(7)
    step_s = APART_S if not how.together else 0.03
    times = [(string, k) for string in how.order for k in range(how.count)]
    if how.together:
        times = [(string, k) for k in range(how.count) for string in how.order]
    frames = round((how.lead_s + APART_S * (how.count * 6 if not how.together else 4) + 0.6) * RATE)
    strings = np.zeros((frames, 6))
    for index, (string, k) in enumerate(times):
        sound = guitar.plucks[string - 1][k % 2]
        if string in how.cents:
            sound = np.asarray(resample(sound, round(len(sound) / 2.0 ** (how.cents[string] / 1200.0))))
        if how.rings:
            tail = np.tile(sound[-2400:] * np.hanning(2400), 12)[:24_000] * 0.3
            sound = np.concatenate([sound, tail])
        sound = np.asarray(sound)[: round(how.lasts_s * RATE)].copy()
        sound[-240:] *= np.linspace(1.0, 0.0, 240)
        begin_s = index * step_s + (1.5 * (index // 6) if how.together else 0.0)
        first = round((how.lead_s + begin_s) * RATE)
        sound = sound[: frames - first] * 10.0 ** (how.gain_db.get(string, 0.0) / 20.0)
        strings[first : first + len(sound), string - 1] += sound
    bleed = np.where(np.eye(6, dtype=bool), 1.0, guitar.bleed * 10.0 ** (how.bleed_db / 20.0))
    heard = strings
    if how.colour_hz is not None:
        heard = np.asarray(sosfilt(butter(1, how.colour_hz, fs=RATE, output="sos"), strings, axis=0))
    parts = np.einsum("nj,ij->nij", heard, bleed)
    for s in STRINGS:
        parts[:, s, s] = strings[:, s]
    parts *= 10.0 ** (np.array([how.channel_db.get(s + 1, 0.0) for s in STRINGS]) / 20.0)[:, np.newaxis]
    parts[:, [each - 1 for each in how.inverted]] *= -1.0
    take = parts.sum(axis=2) + 10.0 ** (how.noise_db / 20.0) * rng.standard_normal((frames, 6))
    if how.hum is not None:
        hz, db = how.hum
        wave = sum(np.sin(2 * np.pi * hz * k * np.arange(frames) / RATE + k) / k for k in (1, 2, 3, 5, 7))
        take += (10.0 ** (db / 20.0) * wave / np.std(wave))[:, np.newaxis]
    return (take if how.after is None else how.after(take, rng)), parts


def left_db(found: Calibration, parts: Signal) -> float:
    """Return how much of one string is left in another's channel at worst, of strings that are heard, in dB."""
    matrix = found.rig.bleed.matrix
    unmix = np.eye(6) if isinstance(matrix, str) else np.linalg.inv(np.asarray(matrix))
    left = np.einsum("ki,nij->nkj", unmix, parts)
    power = np.mean(left**2, axis=0)
    own = np.diag(power).copy()
    np.fill_diagonal(power, 0.0)
    heard = own > 1e-12
    return float(10.0 * np.log10(max((power[:, heard] / own[heard]).max(), 1e-12)))


def _swap(order: Sequence[int]) -> Callable[[Signal, np.random.Generator], Signal]:
    return lambda take, _: take[:, [each - 1 for each in order]]


def _clip(share: float, strings: Sequence[int], drive: float = 0.0) -> Callable[[Signal, np.random.Generator], Signal]:
    def clipped(take: Signal, _: np.random.Generator) -> Signal:
        take = take.copy()
        for s in strings:
            most = np.abs(take[:, s - 1]).max()
            if drive:
                take[:, s - 1] = most * np.tanh(drive * take[:, s - 1] / most) / np.tanh(drive)
            else:
                take[:, s - 1] = np.clip(take[:, s - 1] / most * 2.0, -1.0, 1.0) * share
        return take

    return clipped


def _talk(db: float) -> Callable[[Signal, np.random.Generator], Signal]:
    """Someone talks all the while: a gliding voice of 90 to 200 Hz with syllables, in all channels alike."""

    def talked(take: Signal, rng: np.random.Generator) -> Signal:
        time = np.arange(len(take)) / RATE
        hz = 140.0 + 40.0 * np.sin(2 * np.pi * 0.7 * time) + 20.0 * np.sin(2 * np.pi * 1.9 * time)
        phase = 2 * np.pi * np.cumsum(hz) / RATE
        voice = sum(np.sin(k * phase) / k for k in range(1, 16)) * np.maximum(np.sin(2 * np.pi * 2.2 * time), 0.0)
        coils = 10.0 ** (rng.uniform(-2, 2, 6) / 20.0)
        return take + np.outer(10.0 ** (db / 20.0) * voice / np.std(voice), coils)

    return talked


def _knocks(take: Signal, rng: np.random.Generator) -> Signal:
    """Knocks on the body between the plucks, in all channels alike."""
    take = take.copy()
    for first in range(RATE, len(take) - RATE, round(3.6 * RATE)):
        knock = 0.2 * rng.standard_normal(1200) * np.exp(-np.arange(1200) / 200.0)
        take[first : first + 1200] += np.outer(knock, 10.0 ** (rng.uniform(-2, 2, 6) / 20.0))
    return take


def _same(one: int, other: int) -> Callable[[Signal, np.random.Generator], Signal]:
    def doubled(take: Signal, _: np.random.Generator) -> Signal:
        take = take.copy()
        both = take[:, one - 1] + take[:, other - 1]
        take[:, one - 1], take[:, other - 1] = both, both
        return take

    return doubled


def _silenced(string: int) -> Callable[[Signal, np.random.Generator], Signal]:
    def silenced(take: Signal, rng: np.random.Generator) -> Signal:
        take = take.copy()
        take[:, string - 1] = 6e-5 * rng.standard_normal(len(take))
        return take

    return silenced


ALL = range(1, 7)
#: Name, layout, and the words that a warning must hold; none where the values must be right without a warning.
VARIANTS: tuple[tuple[str, Layout, str], ...] = (
    ("plain", Layout(), ""),
    ("channel 3 dead", Layout(after=_silenced(3)), "never heard"),
    ("string 3 never plucked", Layout(gain_db={3: -200.0}), "never heard"),
    ("channels 2 and 3 swapped", Layout(after=_swap([1, 3, 2, 4, 5, 6])), "swapped?"),
    ("all reversed", Layout(after=_swap([6, 5, 4, 3, 2, 1])), "set input.channels = [6, 5, 4, 3, 2, 1]"),
    ("string 4 40 cents sharp", Layout(cents={4: 40.0}), "+40 cents out of tune|+39 cents|+41 cents|+38 cents|+42 c"),
    ("drop D", Layout(cents={6: -200.0}), "another tuning?"),
    ("capo at 2", Layout(cents=dict.fromkeys(ALL, 200.0)), "instrument.capo = 2"),
    ("a whole step down", Layout(cents=dict.fromkeys(ALL, -200.0)), "2 semitones lower; set instrument.strings"),
    ("half a step down", Layout(cents=dict.fromkeys(ALL, -100.0)), "a semitone lower; set instrument.strings"),
    ("string 3 at fret 2", Layout(cents={3: 200.0}), "another tuning?"),
    ("string 5 clipped at full scale", Layout(after=_clip(1.0, [5])), "clipped ("),
    ("all clipped at full scale", Layout(after=_clip(1.0, ALL)), "clipped ("),
    ("string 5 clipped at 0.9", Layout(after=_clip(0.9, [5])), "flat tops below full scale"),
    ("string 5 rounded (tanh, 4 times over)", Layout(after=_clip(1.0, [5], 4.0)), "flat tops"),
    ("channel 5 14 dB hotter", Layout(channel_db={5: 14.0}), ""),
    ("bleed 8 dB more", Layout(bleed_db=8.0), "is the pickup centred?|"),
    ("strums only", Layout(together=True, count=3), "hardly ever heard alone"),
    ("talk at -45 dBFS", Layout(after=_talk(-45.0)), "above the noise|alone|others than the rest|are left here"),
    ("talk at -30 dBFS", Layout(after=_talk(-30.0)), "above the noise|alone|others than the rest|are left here"),
    ("knocks between", Layout(after=_knocks), ""),
    ("hum 60 Hz at -62 dBFS", Layout(hum=(60.0, -62.0)), ""),
    ("hum 60 Hz at -36 dBFS", Layout(hum=(60.0, -36.0)), "mains hum of"),
    ("hum 50 Hz at -30 dBFS", Layout(hum=(50.0, -30.0)), "mains hum of"),
    ("noise of -50 dBFS", Layout(noise_db=-50.0), "above the noise"),
    ("noise of -40 dBFS", Layout(noise_db=-40.0), "above the noise"),
    ("one pluck each", Layout(count=1), ""),
    ("no silence first", Layout(lead_s=0.05), ""),
    ("any order", Layout(order=(3, 1, 6, 2, 5, 4)), ""),
    ("strings left to ring", Layout(rings=True, lasts_s=2.0), ""),
    ("two coils inverted", Layout(inverted=(2, 5)), ""),
    ("string 2 12 dB weak", Layout(gain_db={2: -12.0}), ""),
    ("string 2 25 dB weak", Layout(gain_db={2: -25.0}), "too soft|above the noise|never heard"),
    ("plucks of 0.15 s in hum", Layout(lasts_s=0.15, hum=(50.0, -60.0)), "too short to measure levels by"),
    ("channels 2 and 3 the same", Layout(after=_same(2, 3)), "carry the same sound"),
    ("bleed low-passed at 1.5 kHz", Layout(colour_hz=1500.0), "are left here"),
)


def judge(found: Calibration, plain: Calibration | None, how: Layout, words: str, left: float) -> tuple[str, float]:
    """Return the verdict, and by how much a level is off at worst, in dB."""
    off_db = 0.0
    if plain is not None:
        for one, other in zip(found.strings, plain.strings, strict=True):
            gain = how.gain_db.get(one.string, 0.0) + how.channel_db.get(one.string, 0.0)
            if gain > -100.0:
                off_db = max(off_db, abs(one.level_db - other.level_db - gain), key=abs)
    told = any(each in warning for each in words.split("|") if each for warning in found.warnings)
    if words and told:
        return "told", off_db
    is_right = left <= RIGHT_LEFT_DB and off_db <= RIGHT_LEVEL_DB
    return ("right" if is_right else "wrong, silent" if not found.warnings else "wrong, told otherwise"), off_db


def rows_of(guitar: Guitar, folder: Path) -> list[dict[str, Any]]:
    """Return what comes of every variant."""
    plain, rows = None, []
    for name, how, words in VARIANTS:
        take, parts = lay_out(guitar, how)
        peak = np.abs(take).max()
        path = folder / "open.wav"
        soundfile.write(path, take / max(peak, 1.0), RATE, "FLOAT")
        found = calibrate(path, Rig())
        plain = plain or found
        left = left_db(found, parts)
        verdict, off_db = judge(found, plain, how, words, left)
        rows.append({"name": name, "left": left, "off": off_db, "verdict": verdict, "warnings": found.warnings})
        print(
            f"{guitar.name} | {name} | {left:.0f} | {off_db:.1f} | {verdict} | {'; '.join(found.warnings)}", flush=True
        )
    return rows


def main() -> int:
    """Print a line per guitar and variant; 1 if any is wrong in silence."""
    names = sys.argv[1:] or ["open_strings_2", "open_strings_3"]
    with tempfile.TemporaryDirectory() as folder:
        rows = [row for name in names for row in rows_of(load(name), Path(folder))]
    silent = [row["name"] for row in rows if row["verdict"] == "wrong, silent"]
    print(f"{len(rows)} variants, wrong in silence: {', '.join(silent) or 'none'}")
    return 1 if silent else 0


if __name__ == "__main__":
    sys.exit(main())
