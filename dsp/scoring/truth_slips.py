"""Likely slips in a truth that does not fit: strings counted from the other side, a lag, another clock, an octave."""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np

from thumbline.dsp.scoring.matching import PITCH_CENTS, unmatched
from thumbline.dsp.scoring.true_bass import Spanned
from thumbline.dsp.scoring.truth import TrueNote

TOLERANCE_S = 0.05
#: A truth that fits so well (F) has no slip; a slip is named if without it the fit is better by so much.
FITS, BETTER = 0.9, 0.2
#: A constant lag is looked for up to this, in steps of this, in seconds.
MOST_LAG_S, LAG_STEP_S = 5.0, 0.01
#: Rates that are taken for one another, in frames per second (the usual ones; common practice, no source).
RATES = (44_100, 48_000)


@dataclass(frozen=True)
class _Slip:
    words: str
    notes: list[TrueNote]


def likely_slip(true: Sequence[TrueNote], found: Sequence[Spanned], strings: int) -> str | None:
    """Return the one slip that explains best why ``true`` does not fit ``found``, in words; None if there is none."""
    plain = _fit(true, found)
    if plain >= FITS or not true or not found:
        return None
    fits = [(_fit(slip.notes, found), slip.words) for slip in _slips(true, found, strings)]
    best, words = max(fits)
    return f"{words}? Then F of the notes would be {best:.2f} instead of {plain:.2f}" if best > plain + BETTER else None


def _slips(true: Sequence[TrueNote], found: Sequence[Spanned], strings: int) -> Iterator[_Slip]:
    yield _Slip(
        f"are its strings counted from the lowest (string 1 is the highest, {strings} the lowest)",
        [replace(note, string=strings + 1 - note.string) for note in true],
    )
    for octaves in (-1, 1):
        side = "above" if octaves < 0 else "below"
        yield _Slip(
            f"does it stand an octave {side} what sounds",
            [replace(note, midi=note.midi + 12 * octaves) for note in true],
        )
    lag_s = _lag_s(true, found)
    side = "early" if lag_s > 0 else "late"
    yield _Slip(f"is it {1e3 * abs(lag_s):.0f} ms {side} all the time", [_timed(note, 1.0, lag_s) for note in true])
    for one in RATES:
        for other in RATES:
            if one != other:
                words = f"was it timed by a clock of {other} Hz where the take has {one} Hz"
                yield _Slip(words, [_timed(note, other / one, 0.0) for note in true])


def _timed(note: TrueNote, ratio: float, lag_s: float) -> TrueNote:
    times = {key: max(getattr(note, key) * ratio + lag_s, 0.0) for key in ("onset_s", "offset_s", "fades_s", "faded_s")}
    return replace(note, **times)


def _lag_s(true: Sequence[TrueNote], found: Sequence[Spanned]) -> float:
    """Return how much later the found notes begin than true ones of the same string and pitch, mostly."""
    lags: list[float] = []
    for note in true:
        lags += [
            each.onset_s - note.onset_s
            for each in found
            if each.string == note.string
            and abs(each.midi - note.midi) * 100.0 < PITCH_CENTS
            and abs(each.onset_s - note.onset_s) <= MOST_LAG_S
        ]
    if not lags:
        return 0.0
    counts, edges = np.histogram(lags, np.arange(-MOST_LAG_S, MOST_LAG_S + LAG_STEP_S, LAG_STEP_S))
    near = edges[int(np.argmax(np.convolve(counts, np.ones(3), "same")))] + LAG_STEP_S / 2
    return float(np.median([lag for lag in lags if abs(lag - near) <= 1.5 * LAG_STEP_S]))


def _fit(true: Sequence[TrueNote], found: Sequence[Spanned]) -> float:
    """Return F of the notes, string by string."""
    missed, false = unmatched(true, found, TOLERANCE_S)
    matched = len(true) - len(missed)
    return 2 * matched / max(2 * matched + len(missed) + len(false), 1)
