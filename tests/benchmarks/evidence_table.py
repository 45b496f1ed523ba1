"""How much evidence makes a note: notes lost against thumps believed, guitar by guitar.

Run with the folder of recordings in THUMBLINE_RECORDINGS::

    python -m tests.benchmarks.evidence_table

Every take is decided with its guitar's calibration, and every damped string and tap on each string alone, for several
*patiences*: shares of the usual time for which a pitch must agree (``dsp/kernel/evidence.py``). Then one guitar is left
out in turn: the patience at which the other guitars lose the fewest notes while at most one recording of a thump is
believed is the one that is used for the guitar left out.

A note is lost if no found note on its string begins within 50 ms of it and within 50 cents; a found note that matches
none is a ghost.
"""

import json
from collections.abc import Iterator
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.helpers.places import recorded
from tests.material.recorded_takes import PAIRS, damped
from thumbline.dsp.calibration.calibrate import calibrate
from thumbline.dsp.calibration.survey import complete, survey
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.rig.model import Rig

PATIENCES = (0.5, 0.7, 1.0, 1.4, 2.0)
GUITARS = {"archtop_": "archtop, flat-wound", "muted_thumb": "sampled, clean", "": "solid"}
NEAR_S, NEAR_SEMITONES = 0.05, 0.5
MOST_THUMPS = 1


@dataclass
class Count:
    """Notes of a guitar at one patience."""

    notes: int = 0
    lost: int = 0
    ghosts: int = 0


def guitar_of(take: str) -> str:
    """Name of the guitar that a take was played on."""
    return next(name for prefix, name in GUITARS.items() if take.startswith(prefix))


@cache
def rig_of(open_strings: str) -> Rig:
    """Rig calibrated from a take of open strings."""
    return calibrate(recorded("takes", f"{open_strings}.flac"), Rig()).rig


def decide(frames: NDArray[np.float64], rate: int, rig: Rig, patience: float) -> Transcript:
    """Decide about a take at a patience."""
    processor, transcript = Processor(rig, rate), Transcript(rig, rate)
    processor.params[0]["patience"] = patience
    transcript.feed(processor.decide(frames))
    transcript.feed(processor.finish())
    return transcript


def count(take: str, patience: float) -> Count:
    """Notes of a take, those lost, and ghosts."""
    frames, rate = soundfile.read(recorded("takes", f"{take}.flac"))
    found = decide(np.asarray(frames, np.float64), rate, rig_of(PAIRS[take]), patience).notes
    free = list(found)
    result = Count()
    for note in json.loads(recorded("takes", f"{take}.json").read_text("utf-8"))["notes"]:
        near = [
            each
            for each in free
            if each.string == note["string"]
            and abs(each.onset_s - note["onset"]) <= NEAR_S
            and abs(each.midi - note["midi"]) <= NEAR_SEMITONES
        ]
        result.notes += 1
        if near:
            free.remove(min(near, key=lambda each: abs(each.onset_s - note["onset"])))
        else:
            result.lost += 1
    result.ghosts = len(free)
    return result


def believed_thumps(patience: float) -> set[str]:
    """Recordings of damped strings and taps that make a note on any one string."""
    return {file.stem for file, rig, take, rate in thumps() if decide(take, rate, rig, patience).notes}


def thumps() -> Iterator[tuple[Path, Rig, NDArray[np.float64], int]]:
    """Each recorded thump on each string alone."""
    for file in damped():
        sound, rate = soundfile.read(file, always_2d=True)
        for string in range(6):
            take = np.zeros((len(sound), 6))
            take[:, string] = sound.mean(axis=1)
            yield file, complete(Rig(), survey(lambda take=take: iter([take]), Rig(), rate)), take, rate


def main() -> None:
    """Print both tables."""
    guitars = sorted(set(map(guitar_of, PAIRS)))
    table: dict[tuple[str, float], Count] = {}
    believed = {patience: believed_thumps(patience) for patience in PATIENCES}
    for patience in PATIENCES:
        for take in PAIRS:
            one, total = count(take, patience), table.setdefault((guitar_of(take), patience), Count())
            total.notes, total.lost, total.ghosts = (
                total.notes + one.notes,
                total.lost + one.lost,
                total.ghosts + one.ghosts,
            )
    print("| patience | " + " | ".join(f"{name}: lost, ghosts of notes" for name in guitars) + " | thumps believed |")
    for patience in PATIENCES:
        cells = [table[name, patience] for name in guitars]
        text = " | ".join(f"{cell.lost}, {cell.ghosts} of {cell.notes}" for cell in cells)
        print(f"| {patience} | {text} | {len(believed[patience])} of 9 {sorted(believed[patience])} |")
    print("\n| left out | patience of the others | lost, ghosts |")
    for name in guitars:
        others = [other for other in guitars if other != name]
        fair = [patience for patience in PATIENCES if len(believed[patience]) <= MOST_THUMPS]
        best = min(fair, key=lambda patience: sum(table[other, patience].lost for other in others))
        cell = table[name, best]
        print(f"| {name} | {best} | {cell.lost}, {cell.ghosts} of {cell.notes} |")


if __name__ == "__main__":
    main()
