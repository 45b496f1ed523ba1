"""Performances of GuitarSet as notes, with the metronome that they were played to.

GuitarSet (Q. Xi, R. M. Bittner, J. Pauwels, X. Ye, J. P. Bello, ISMIR 2018) was played to backing tracks; the name of a
take has its tempo. Its note timing lies in the folder that ``THUMBLINE_RECORDINGS`` names. The metronome itself is not
in the table. That bar 1 begins at the very start of a take is inferred: in 14 of the 24 the last note is cut within a
tenth of a beat of the end of a whole number of bars, counted from there. Players lag that metronome, by 8 to 30 ms in
the median.
"""

import csv
from collections.abc import Iterator
from functools import cache
from pathlib import Path

import numpy as np

from tests.material.performances import Performance, from_notes
from thumbline.dsp.scoring.truth import TrueNote


@cache
def recorded(folder: str) -> tuple[Performance, ...]:
    """The performances of ``guitarset/notes.csv`` in ``folder``, in its order."""
    return tuple(_read(Path(folder) / "guitarset" / "notes.csv"))


def _read(path: Path) -> Iterator[Performance]:
    rows: dict[str, list[TrueNote]] = {}
    with path.open(encoding="utf-8", newline="") as file:
        for row in csv.DictReader(file):
            onset_s = float(row["onset_s"])
            end_s = onset_s + float(row["duration_s"])
            note = TrueNote(int(row["string"]), float(row["midi"]), onset_s, end_s, end_s, 88.0)
            rows.setdefault(row["take"], []).append(note)
    for name, played in rows.items():
        period_s = 60.0 / float(name.split("-")[1])
        beats_s = np.arange(0.0, max(note.offset_s for note in played), period_s)
        yield from_notes(name, played, beats_s, 0, 4, steady=True)
