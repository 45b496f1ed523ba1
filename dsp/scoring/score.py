"""How good a result is: the bass line and the notes that were found, against the notes that were played.

*Bass path*: of the moments at which the bass is asked for (`true_bass`), the shares at which the bass line has the
right string, has none, or has one where nothing sounds.

*Notes*: precision, recall and F of onsets (`matching`) at each of ``TOLERANCES_S``. Of the bass line, a true stretch
must be found if it is ``sure``; others may be found. A row shorter than ``SHORTEST_ROW_S`` does not count; one that
matches nothing is wrong unless it begins where a fading note leaves the truth open. Per string, every note must
be found.

*Latency*: for each sure stretch of the true bass, the time from its beginning until the mutes left its string open and
no other, as decided, without the MIDI cable.
"""

from collections.abc import Sequence
from dataclasses import asdict, dataclass
from itertools import groupby, pairwise
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.scoring.matching import Rates, match, unmatched
from thumbline.dsp.scoring.true_bass import STEP_S, Spanned, Stretch, TrueBass

TOLERANCES_S = (0.05, 0.02, 0.01)
SHORTEST_ROW_S = 0.02


@dataclass(frozen=True)
class Mistake:
    """The bass line is on the wrong string from one moment to another; 0 means none."""

    begin_s: float
    end_s: float
    true_string: int
    found_string: int


@dataclass(frozen=True)
class Spread:
    """A distribution of times, in milliseconds; None where there are none."""

    count: int
    median_ms: float | None
    p95_ms: float | None
    worst_ms: float | None


@dataclass(frozen=True)
class Latency:
    """How long the mutes took to follow the true bass."""

    times_ms: tuple[float, ...]
    never: int  #: stretches at whose end the mutes had not yet followed

    @property
    def spread(self) -> Spread:
        """Their distribution."""
        return spread(self.times_ms)


@dataclass(frozen=True)
class StringScore:
    """How one string fared."""

    string: int
    bass_s: float  #: for how long it is the true bass and asked for
    path_right: float | None  #: share of that time at which the bass line is on it; None if there is no such time
    rates: dict[float, Rates]  #: of its notes, by tolerance in s; empty if it has none, or notes were not given


@dataclass(frozen=True)
class Score:
    """A result against the truth; ``as_dict`` is all of it in plain values."""

    path_right: float | None  #: of the moments asked for at which there is a bass; None if there are none
    path_missed: float | None
    path_false: float | None  #: of the moments asked for at which there is none
    bass: dict[float, Rates]  #: by tolerance in s
    strings: tuple[StringScore, ...]
    after_a_pluck: Latency | None  #: None if the mutes were not given
    after_a_stop: Latency | None
    onset_error: Spread  #: onsets of matched bass notes against the truth; positive is late
    mistakes: tuple[Mistake, ...]
    missed: tuple[Stretch, ...]  #: sure stretches that no row of the bass line matches within 50 ms
    false: tuple[Spanned, ...]  #: rows that match nothing
    notes_missed: tuple[Spanned, ...]  #: notes of any string that were not found within 50 ms
    notes_false: tuple[Spanned, ...]  #: notes that were found though nobody played them; both empty without notes
    confusion_s: NDArray[np.float64]  #: (strings + 1, strings + 1): row the true string, column the found one; 0 none
    found_string: NDArray[np.int_]  #: at each of the true bass's ``times_s``

    @property
    def string_f(self) -> float | None:
        """F of a string's notes at 50 ms, mean over the strings that have notes."""
        values = [each.rates[TOLERANCES_S[0]].f for each in self.strings if each.rates]
        return float(np.mean(values)) if values else None

    def as_dict(self) -> dict[str, Any]:
        """Return plain values, times in s unless the name says ms, ready for JSON."""
        return {
            "path_right": _round(self.path_right),
            "path_missed": _round(self.path_missed),
            "path_false": _round(self.path_false),
            "bass": _rates(self.bass),
            "string_f": _round(self.string_f),
            "strings": [
                {
                    "string": each.string,
                    "bass_s": round(each.bass_s, 3),
                    "path_right": _round(each.path_right),
                    "notes": _rates(each.rates),
                }
                for each in self.strings
            ],
            "latency": {
                name: None if latency is None else asdict(latency.spread) | {"never": latency.never}
                for name, latency in (("after_a_pluck", self.after_a_pluck), ("after_a_stop", self.after_a_stop))
            },
            "onset_error": asdict(self.onset_error),
            "mistakes": [asdict(each) for each in self.mistakes],
            "missed": [_plain(each) for each in self.missed],
            "false": [_plain(each) for each in self.false],
            "notes_missed": [_plain(each) for each in self.notes_missed],
            "notes_false": [_plain(each) for each in self.notes_false],
            "confusion_s": [[round(float(cell), 3) for cell in row] for row in self.confusion_s],
        }


def score(
    truth: TrueBass,
    bassline: Sequence[Spanned],
    notes: Sequence[Spanned] | None = None,
    mutes: Sequence[MuteDecision] | None = None,
    *,
    strings: int,
) -> Score:
    """Score what was found: the rows of the bass line and, if given, the notes of all strings and the mute decisions.

    ``strings`` is how many the guitar has. Rows are in the order of the tables.
    """
    found_string = truth.found(bassline)
    confusion = np.zeros((strings + 1, strings + 1), np.int_)
    np.add.at(confusion, (truth.string[truth.asked], found_string[truth.asked]), 1)
    played, silent = int(confusion[1:].sum()), int(confusion[0].sum())
    rows = [row for row in bassline if row.offset_s - row.onset_s >= SHORTEST_ROW_S]
    notes_within = {tolerance_s: bass_notes(truth, rows, tolerance_s) for tolerance_s in TOLERANCES_S}
    loosest = notes_within[TOLERANCES_S[0]]
    notes_missed, notes_false = ((), ()) if notes is None else unmatched(truth.notes, notes, TOLERANCES_S[0])
    return Score(
        path_right=path_right(truth, found_string),
        path_missed=_share(int(confusion[1:, 0].sum()), played),
        path_false=_share(int(confusion[0, 1:].sum()), silent),
        bass={tolerance_s: each.rates for tolerance_s, each in notes_within.items()},
        strings=tuple(_string_score(truth, notes, confusion, string) for string in range(1, strings + 1)),
        after_a_pluck=None if mutes is None else latency(truth, mutes, strings, plucked=True),
        after_a_stop=None if mutes is None else latency(truth, mutes, strings, plucked=False),
        onset_error=spread(loosest.late_ms),
        mistakes=tuple(find_mistakes(truth, found_string)),
        missed=loosest.missed,
        false=loosest.false,
        notes_missed=notes_missed,
        notes_false=notes_false,
        confusion_s=confusion.astype(np.float64) * STEP_S,
        found_string=found_string,
    )


@dataclass(frozen=True)
class BassNotes:
    """How the notes of the bass line were matched."""

    rates: Rates
    missed: tuple[Stretch, ...]  #: sure stretches that no row matches
    false: tuple[Spanned, ...]  #: rows that match nothing and have no excuse
    late_ms: tuple[float, ...]  #: by how much the onsets of the others are late


def bass_notes(truth: TrueBass, rows: Sequence[Spanned], tolerance_s: float) -> BassNotes:
    """Match rows of the bass line, none of them shorter than ``SHORTEST_ROW_S``, with the true bass."""
    sure = [each for each in truth.stretches if each.sure]
    optional = [each for each in truth.stretches if not each.sure]
    pairs = match(sure, rows, tolerance_s)  # what counts is matched first
    matched_true, matched_rows = {index for index, _ in pairs}, {index for _, index in pairs}
    left = [row for index, row in enumerate(rows) if index not in matched_rows]
    fair = {index for _, index in match(optional, left, tolerance_s)}
    false = [row for index, row in enumerate(left) if index not in fair and not truth.excuses(row.onset_s)]
    return BassNotes(
        Rates(len(sure), len(pairs), len(false)),
        tuple(each for index, each in enumerate(sure) if index not in matched_true),
        tuple(false),
        tuple(1e3 * (rows[found].onset_s - sure[true].onset_s) for true, found in pairs),
    )


def _string_score(
    truth: TrueBass, notes: Sequence[Spanned] | None, confusion: NDArray[np.int_], string: int
) -> StringScore:
    true = [note for note in truth.notes if note.string == string]
    found = [note for note in notes or () if note.string == string]
    rates: dict[float, Rates] = {}
    if true and notes is not None:
        for tolerance_s in TOLERANCES_S:
            matched = len(match(true, found, tolerance_s))
            rates[tolerance_s] = Rates(len(true), matched, len(found) - matched)
    asked = int(confusion[string].sum())
    return StringScore(string, asked * STEP_S, _share(int(confusion[string, string]), asked), rates)


def path_right(truth: TrueBass, found_string: NDArray[np.int_]) -> float | None:
    """Return the share of the moments asked for, at which there is a bass, at which it was found; None without any."""
    asked = truth.asked & (truth.string > 0)
    return _share(int(np.count_nonzero(asked & (found_string == truth.string))), int(np.count_nonzero(asked)))


def find_mistakes(truth: TrueBass, found_string: NDArray[np.int_]) -> list[Mistake]:
    """Return when the bass line is on which wrong string, in order of time, of the moments that are asked for."""
    wrong = truth.asked & (found_string != truth.string)
    kind = np.where(wrong, 1 + found_string + 1000 * truth.string, 0)
    edges = np.concatenate([[0], 1 + np.flatnonzero(np.diff(kind)), [len(kind)]])
    return [
        Mistake(
            round(float(truth.times_s[first]), 3),
            round(float(truth.times_s[last - 1]) + STEP_S, 3),
            int(truth.string[first]),
            int(found_string[first]),
        )
        for first, last in pairwise(edges.tolist())
        if last > first and kind[first]
    ]


def latency(truth: TrueBass, mutes: Sequence[MuteDecision], strings: int, *, plucked: bool) -> Latency:
    """Return how long the mutes took to follow the sure stretches that begin with a pluck, or with a stop below.

    A stretch on a string that is the only open one already asks nothing. All are open in the beginning.
    """
    times_s, only = [-np.inf], [0]
    open_strings = set(range(1, strings + 1))
    for time_s, decisions in groupby(sorted(mutes, key=lambda each: each.time_s), key=lambda each: each.time_s):
        for each in decisions:
            (open_strings.add if each.open else open_strings.discard)(each.string)
        times_s.append(time_s)
        only.append(next(iter(open_strings)) if len(open_strings) == 1 else 0)
    times, single = np.array(times_s), np.array(only)
    found_ms: list[float] = []
    never = 0
    for stretch in truth.stretches:
        if not stretch.sure or stretch.plucked != plucked:
            continue
        before = int(np.searchsorted(times, stretch.onset_s, "right")) - 1
        if single[before] == stretch.string:
            continue
        after = slice(before + 1, int(np.searchsorted(times, stretch.offset_s)))
        followed = np.flatnonzero(single[after] == stretch.string)
        if len(followed):
            found_ms.append(1e3 * float(times[after][followed[0]] - stretch.onset_s))
        else:
            never += 1
    return Latency(tuple(found_ms), never)


def spread(times_ms: Sequence[float]) -> Spread:
    """Return the distribution of times in ms; the 95th percentile and the worst are by size, whatever the sign."""
    if not times_ms:
        return Spread(0, None, None, None)
    sizes = np.abs(times_ms)
    median, p95, worst = float(np.median(times_ms)), float(np.percentile(sizes, 95.0)), float(sizes.max())
    return Spread(len(times_ms), round(median, 3), round(p95, 3), round(worst, 3))


def _share(part: int, whole: int) -> float | None:
    return part / whole if whole else None


def _round(value: float | None) -> float | None:
    return None if value is None else round(value, 4)


def _rates(rates: dict[float, Rates]) -> dict[str, dict[str, float]]:
    return {
        f"{round(1e3 * tolerance_s)}_ms": {
            "precision": round(each.precision, 4),
            "recall": round(each.recall, 4),
            "f": round(each.f, 4),
        }
        for tolerance_s, each in rates.items()
    }


def _plain(each: Spanned) -> dict[str, float]:
    return {
        "onset_s": round(each.onset_s, 6),
        "offset_s": round(each.offset_s, 6),
        "string": each.string,
        "midi": round(each.midi, 4),
    }
