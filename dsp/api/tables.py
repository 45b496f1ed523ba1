"""Results as columns: NumPy arrays of equal length, which pandas can take as they are."""

from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.bass_path import Handover
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.transcript import PitchReport

if TYPE_CHECKING:
    from typing import Self

Floats = NDArray[np.float64]
Integers = NDArray[np.int64]


def _frame(columns: dict[str, Any]) -> Any:
    """Return a pandas DataFrame; InputError if pandas is not installed."""
    try:
        import pandas
    except ImportError:
        raise InputError("pandas is not installed; accepted: to_frame() with it (pip install pandas)") from None
    return pandas.DataFrame(columns)


@dataclass(frozen=True, eq=False)
class Notes:
    """Notes, in order of their onsets; of equal ones the lower string comes first.

    ``intervals`` and ``pitches`` are what `mir_eval.transcription` takes as they are.

    Attributes
    ----------
    intervals : ndarray, shape (n, 2)
        Onset and offset in seconds from the first frame.
    pitches : ndarray, shape (n,)
        Mean pitch of the string as played, in Hz.
    strings : ndarray, shape (n,)
        String numbers; 1 is the highest.
    frets : ndarray, shape (n,)
        Counted from the capo; 0 is the open string.
    velocities : ndarray, shape (n,)
        MIDI velocities, 1 to 127.

    Examples
    --------
    >>> from thumbline.dsp.processor.notes import Note
    >>> notes = Notes.of([Note(0.5, 1.25, 6, 3, 43.0, "G2", 98.0, 0.0, 90)])
    >>> notes.intervals.tolist(), notes.pitches.tolist(), notes.strings.tolist()
    ([[0.5, 1.25]], [98.0], [6])
    """

    intervals: Floats
    pitches: Floats
    strings: Integers
    frets: Integers
    velocities: Integers

    @classmethod
    def of(cls, rows: Iterable[Note]) -> "Self":
        """Return the columns of ``rows``, in their order."""
        rows = list(rows)
        return cls(
            np.array([(row.onset_s, row.offset_s) for row in rows], np.float64).reshape(-1, 2),
            np.array([row.hz for row in rows], np.float64),
            np.array([row.string for row in rows], np.int64),
            np.array([row.fret for row in rows], np.int64),
            np.array([row.velocity for row in rows], np.int64),
        )

    def __len__(self) -> int:
        return len(self.pitches)

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with the columns onset_s, offset_s, hz, string, fret and velocity.

        Raises
        ------
        InputError
            If pandas is not installed.
        """
        return _frame(
            {
                "onset_s": self.intervals[:, 0],
                "offset_s": self.intervals[:, 1],
                "hz": self.pitches,
                "string": self.strings,
                "fret": self.frets,
                "velocity": self.velocities,
            }
        )


@dataclass(frozen=True, eq=False)
class Pitches:
    """Pitch reports of all strings, in order of time.

    Attributes
    ----------
    times : ndarray, shape (n,)
        Seconds from the first frame.
    strings : ndarray, shape (n,)
        String numbers; 1 is the highest.
    hz : ndarray, shape (n,)
        Pitch in Hz.
    confidence : ndarray, shape (n,)
        Share of reports like this one that are right, 0 to 1.
    level_db : ndarray, shape (n,)
        Level of the string in dBFS.

    Examples
    --------
    >>> from thumbline.dsp.processor.transcript import PitchReport
    >>> late, early = PitchReport(0.2, 6, 82.4, 0.99, -20.0), PitchReport(0.1, 5, 110.0, 0.97, -18.0)
    >>> Pitches.of([late, early]).hz.tolist()
    [110.0, 82.4]
    """

    times: Floats
    strings: Integers
    hz: Floats
    confidence: Floats
    level_db: Floats

    @classmethod
    def of(cls, reports: Iterable[PitchReport]) -> "Self":
        """Return the columns of ``reports``, in order of time."""
        rows = sorted(reports, key=lambda report: report.time_s)
        return cls(
            np.array([row.time_s for row in rows], np.float64),
            np.array([row.string for row in rows], np.int64),
            np.array([row.hz for row in rows], np.float64),
            np.array([row.confidence for row in rows], np.float64),
            np.array([row.level_db for row in rows], np.float64),
        )

    def __len__(self) -> int:
        return len(self.times)

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with a column per attribute. Raises InputError if pandas is not installed."""
        return _frame(vars(self))


@dataclass(frozen=True, eq=False)
class HandOvers:
    """The moments at which the bass passes to another string, in order of time, as they stand in hindsight.

    Attributes
    ----------
    times : ndarray, shape (n,)
        When the string has the bass from, in the strings' signal, in seconds: the cause of the hand-over where the rule
        allows.
    decided : ndarray, shape (n,)
        How far the signal had been read when it was decided, in seconds.
    strings : ndarray, shape (n,)
        The string that has the bass from then on; 0 is none.
    plucked : ndarray of bool, shape (n,)
        Whether a pluck was the cause.

    Examples
    --------
    >>> from thumbline.dsp.processor.bass_path import Handover
    >>> moved = HandOvers.of([Handover(1.0, 1.01, 6, True), Handover(2.0, 2.0, 0, False)])
    >>> moved.strings.tolist(), moved.plucked.tolist()
    ([6, 0], [True, False])
    """

    times: Floats
    decided: Floats
    strings: Integers
    plucked: NDArray[np.bool_]

    @classmethod
    def of(cls, rows: Iterable[Handover]) -> "Self":
        """Return the columns of ``rows``, in their order."""
        rows = list(rows)
        return cls(
            np.array([row.time_s for row in rows], np.float64),
            np.array([row.decided_s for row in rows], np.float64),
            np.array([row.string for row in rows], np.int64),
            np.array([row.plucked for row in rows], np.bool_),
        )

    def __len__(self) -> int:
        return len(self.times)

    def to_frame(self) -> Any:
        """Return a pandas DataFrame with a column per attribute. Raises InputError if pandas is not installed."""
        return _frame(vars(self))
