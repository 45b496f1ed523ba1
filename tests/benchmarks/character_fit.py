"""How the characters of the bass were fitted to sampled basses, and how well they fit a take that is left out.

    THUMBLINE_RECORDINGS=... python -m tests.benchmarks.character_fit

The tone stage is linear but for compression, which goes by the voice alone, and for the curve, whose drive is given. So
the energy of its output in each twelfth of an octave follows from three sums over a take (voice, new partials, and one
by the other), and a fit of shelf and amount takes no sound. Printed per character: what was fitted to all takes, and of
each take that was left out in turn the greatest difference and how many of 19 third octaves differ by more than 6 dB.
Then how much softer than the guitar, at equal loudness, each is through a 400 Hz high-pass, and the sampled basses.
"""

import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize

from tests.helpers.places import RECORDINGS
from tests.material.sampled_bass import (
    FINGERED,
    PICKED,
    THIRD_OCTAVES,
    is_there,
    played,
    small_speaker_lu,
    third_octaves_db,
)
from thumbline.dsp.api.split import split
from thumbline.dsp.api.take import read_take
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS
from thumbline.dsp.memory.voice_records import AMOUNT, CHARACTERS, ROLL_OFF, SHELF
from thumbline.dsp.processor.characters import SETTINGS
from thumbline.dsp.processor.filters import butterworth, high_shelf
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

RATE = 48_000
#: Parts of a third octave.
PARTS = 4
PLACES_HZ = (THIRD_OCTAVES[:, None] * 10.0 ** ((np.arange(PARTS) - 0.5 * (PARTS - 1)) / (10.0 * PARTS))).ravel()
#: Differences up to this cost nothing, in dB, but for a little that draws them to 0.
FREE_DB, DRAW = 3.0, 0.02
TARGETS = {"round": (FINGERED,), "fingered": (FINGERED, PICKED), "picked": (PICKED,)}
PLAIN = np.array([1.0, 0.0, 0.0, 0.0, 0.0])


class Sums(NamedTuple):
    """Of one take, by twelfths of octaves: voice, new partials, product of both; and third octaves wanted, dB."""

    voice: NDArray[np.float64]
    partials: NDArray[np.float64]
    both: NDArray[np.complex128]
    wanted_db: NDArray[np.float64]


def response(section: NDArray[np.float64]) -> NDArray[np.complex128]:
    """Of b0 b1 b2 a1 a2, at ``PLACES_HZ``."""
    turn = np.exp(-2j * np.pi * PLACES_HZ / RATE)
    return (section[0] + section[1] * turn + section[2] * turn**2) / (1.0 + section[3] * turn + section[4] * turn**2)


def passed(rig: Rig, frames: NDArray[np.float64], character: str, shelf: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return the bass with this shelf, and neither roll-off nor low-pass; new partials at an amount of 1."""
    processor = Processor(rig.changed({"bass.character": character, "bass.tone_hz": 20_000.0}), RATE)

    def open_up(timbre: Record) -> None:
        timbre[AMOUNT], timbre[SHELF : SHELF + 5], timbre[ROLL_OFF : ROLL_OFF + 5] = 1.0, shelf, PLAIN

    open_up(processor.params[0]["timbre"])
    open_up(processor.state[0]["now"]["timbre"])
    return processor.process(frames)[0][:, BASS]


def sums_of(take: Path, character: str) -> Sums:
    """Measure one take."""
    frames, rate = read_take(take)
    assert rate == RATE, f"{take.name}: {rate} Hz; the fit is made for {RATE}"
    found = split(frames, rate)
    partials = passed(found.rig, frames, character, 0.0 * PLAIN)
    voice = passed(found.rig, frames, character, PLAIN) - partials
    size = 1 << (len(voice) - 1).bit_length()
    heard, made = np.fft.rfft(voice, size), np.fft.rfft(partials, size)
    edges = np.append(PLACES_HZ * 10.0 ** (-1 / (20.0 * PARTS)), PLACES_HZ[-1] * 10.0 ** (1 / (20.0 * PARTS)))
    bins = np.searchsorted(np.fft.rfftfreq(size, 1.0 / rate), edges)

    def gathered(product: NDArray[np.complex128]) -> NDArray[np.complex128]:
        return np.add.reduceat(product, bins)[:-1]

    wanted = [third_octaves_db(played(found.bass_rows, each, rate), rate) for each in TARGETS[character]]
    power_heard, power_made = (gathered(each * each.conj()).real for each in (heard, made))
    return Sums(power_heard, power_made, gathered(made * heard.conj()), np.mean(wanted, axis=0))


def differences_db(
    sums: Sums, shelf_hz: float, amount: float, shelf_db: float, roll_off_hz: float
) -> NDArray[np.float64]:
    """Third octaves of the tone stage less those that are wanted."""
    shelf = response(high_shelf(shelf_hz, shelf_db, RATE))
    roll_off = response(butterworth("lowpass", roll_off_hz, RATE)) * response(butterworth("lowpass", 3000.0, RATE))
    power = np.abs(shelf) ** 2 * sums.voice + amount**2 * sums.partials
    power = (power + 2.0 * amount * (shelf.conj() * sums.both).real) * np.abs(roll_off) ** 2
    bands = power.reshape(-1, PARTS).sum(axis=1)
    return 10.0 * np.log10(bands / bands.sum()) - sums.wanted_db


def fitted(takes: list[Sums], character: str) -> tuple[float, float]:
    """Middle of the shelf, in Hz, and amount of new partials that suit these takes best."""
    setting = SETTINGS[character]

    def cost(x: NDArray[np.float64]) -> float:
        ways = (
            differences_db(s, 100 * max(x[0], 1.0), abs(x[1]), setting.shelf_db, setting.roll_off_hz) for s in takes
        )
        return float(sum((np.maximum(np.abs(d) - FREE_DB, 0.0) ** 2 + DRAW * d**2).sum() for d in ways))

    best = min((minimize(cost, [hz, 1.5], method="Nelder-Mead") for hz in (4.0, 6.0, 9.0)), key=lambda each: each.fun)
    return 100.0 * float(best.x[0]), abs(float(best.x[1]))


def main() -> None:
    """Print the table."""
    if RECORDINGS is None or not is_there():
        sys.exit("needs THUMBLINE_RECORDINGS, fluidsynth and the sound font FluidR3 GM")
    files = [file for file in sorted(Path(RECORDINGS, "takes").glob("*.flac")) if "open_strings" not in file.name]
    for character in CHARACTERS[1:]:
        setting = SETTINGS[character]
        rest = (setting.shelf_db, setting.roll_off_hz)
        takes = {file.stem: sums_of(file, character) for file in files}
        hz, amount = fitted(list(takes.values()), character)
        in_use = f"in use {setting.shelf_hz:.0f} Hz, {setting.amount}"
        print(f"{character}: all takes {hz:.0f} Hz, amount {amount:.2f}; {in_use}")
        missed = [0, 0]
        for name, sums in takes.items():
            others = [each for other, each in takes.items() if other != name]
            ways = (fitted(others, character), (setting.shelf_hz, setting.amount))
            found = [np.abs(differences_db(sums, *way, *rest)) for way in ways]
            missed = [count + int((each > 6.0).sum()) for count, each in zip(missed, found, strict=True)]
            print(f"  {name:14} left out: {(found[0] > 6.0).sum():2} of 19 beyond 6 dB, at most {found[0].max():4.1f}")
        total = len(THIRD_OCTAVES) * len(takes)
        print(f"  beyond 6 dB: {missed[0]} of {total} left out, {missed[1]} as in use", flush=True)
    print_small_speakers(files)


def print_small_speakers(files: list[Path]) -> None:
    """Print by how many LU basses are louder than the guitar on a small speaker, at equal loudness in full."""
    print("400 Hz and up against the guitar, LU:", *CHARACTERS, "sampled fingered", "sampled picked", sep=" | ")
    rows: list[list[float]] = []
    for file in files:
        frames, rate = read_take(file)
        found = [split(frames, rate, Rig().changed({"bass.character": each})) for each in CHARACTERS]
        basses = [each.bass for each in found]
        basses += [played(found[0].bass_rows, program, rate) for program in (FINGERED, PICKED)]
        guitar = small_speaker_lu(found[0].guitar, rate)
        rows.append([small_speaker_lu(bass, rate) - guitar for bass in basses])
        print(f"  {file.stem:14}", *(f"{row:5.1f}" for row in rows[-1]), flush=True)
    print("  median        ", *(f"{row:5.1f}" for row in np.median(rows, axis=0)))


if __name__ == "__main__":
    main()
