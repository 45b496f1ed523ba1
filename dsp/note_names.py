"""Names, numbers and frequencies of notes in twelve-tone equal temperament.

Conventions: names follow scientific pitch notation (C4 is middle C, the octave number changes at C). ``midi``
is the key number of MIDI 1.0, fractional where a pitch lies between two keys: 60 is C4, 69 is A4.
"""

import math
import re
from collections.abc import Sequence
from typing import Any, TypeAlias, overload

import numpy as np
from numpy.typing import ArrayLike, NDArray

from thumbline.dsp.errors import InputError

A4_MIDI = 69
NOTE_NAME_FORM = "a letter A to G, then #, ##, b, bb or nothing, then the octave, as in E2, F#1 or Bb3"

_SEMITONES_ABOVE_C = {"C": 0, "D": 2, "E": 4, "F": 5, "G": 7, "A": 9, "B": 11}
_ACCIDENTALS = {
    "": 0,
    "#": 1,
    "\N{MUSIC SHARP SIGN}": 1,
    "##": 2,
    "x": 2,
    "\N{MUSIC SHARP SIGN}" * 2: 2,
    "\N{MUSICAL SYMBOL DOUBLE SHARP}": 2,
    "b": -1,
    "\N{MUSIC FLAT SIGN}": -1,
    "bb": -2,
    "\N{MUSIC FLAT SIGN}" * 2: -2,
    "\N{MUSICAL SYMBOL DOUBLE FLAT}": -2,
}
_SHARP_NAMES = ("C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B")
_NOTE = re.compile(r"([A-Ga-g])([^0-9-]*)(-?[0-9]{1,3})")


def note_to_midi(name: str) -> int:
    """Return the key number of a note name: ``"C4"`` is 60.

    The letter may be small (``"e4"``); accidentals may be ASCII (``#``, ``##``, ``x``, ``b``, ``bb``) or the
    Unicode signs. The octave belongs to the letter, so ``"B#3"`` is 60 and ``"Cb4"`` is 59. The result is not
    limited to the 0 to 127 of MIDI. Raises InputError for anything else.

    >>> note_to_midi("E2"), note_to_midi("Bb3"), note_to_midi("B#3")
    (40, 58, 60)
    """
    match = _NOTE.fullmatch(name.strip())
    if match is None or match[2] not in _ACCIDENTALS:
        raise InputError(f'note name is "{name}"; accepted: {NOTE_NAME_FORM}')
    letter, accidental, octave = match.groups()
    return 12 * (int(octave) + 1) + _SEMITONES_ABOVE_C[letter.upper()] + _ACCIDENTALS[accidental]


def midi_to_note(midi: float) -> str:
    """Return the name of the key nearest to ``midi``: 60.2 is ``"C4"``, 61 is ``"C#4"``.

    Halfway goes up; black keys are named as sharps. Raises ValueError unless ``midi`` is finite.

    >>> midi_to_note(40), midi_to_note(60.5)
    ('E2', 'C#4')
    """
    if not math.isfinite(midi):
        raise ValueError(f"midi is {midi}; accepted: a finite number")
    octave, semitone = divmod(math.floor(midi + 0.5), 12)
    return f"{_SHARP_NAMES[semitone]}{octave - 1}"


Array: TypeAlias = NDArray[Any] | Sequence[float]


@overload
def midi_to_hz(midi: float, a4_hz: float = ...) -> float: ...
@overload
def midi_to_hz(midi: Array, a4_hz: float = ...) -> NDArray[np.float64]: ...
def midi_to_hz(midi: ArrayLike, a4_hz: float = 440.0) -> float | NDArray[np.float64]:
    """Return the frequency in Hz of ``midi``, a number or an array, with A4 at ``a4_hz``.

    The default is the standard tuning frequency of ISO 16:1975. Raises ValueError unless it is above 0.
    """
    _require_reference(a4_hz)
    return _plain(a4_hz * np.exp2((np.asarray(midi, dtype=np.float64) - A4_MIDI) / 12.0))


@overload
def hz_to_midi(hz: float, a4_hz: float = ...) -> float: ...
@overload
def hz_to_midi(hz: Array, a4_hz: float = ...) -> NDArray[np.float64]: ...
def hz_to_midi(hz: ArrayLike, a4_hz: float = 440.0) -> float | NDArray[np.float64]:
    """Return the fractional key number of ``hz``, a number or an array, with A4 at ``a4_hz``.

    A frequency that no tone has (zero, negative, NaN) gives NaN. Raises ValueError unless ``a4_hz`` is
    above 0.
    """
    _require_reference(a4_hz)
    return _plain(A4_MIDI + 12.0 * _log2_ratio(hz, a4_hz))


def _require_reference(a4_hz: float) -> None:
    if not (math.isfinite(a4_hz) and a4_hz > 0.0):
        raise ValueError(f"a4_hz is {a4_hz}; accepted: a frequency above 0 Hz")


def _log2_ratio(hz: ArrayLike, reference_hz: ArrayLike) -> NDArray[np.float64]:
    """Return the interval in octaves; the two logarithms are taken apart so that no quotient can overflow."""
    return _log2(hz) - _log2(reference_hz)


def _log2(hz: ArrayLike) -> NDArray[np.float64]:
    values = np.asarray(hz, dtype=np.float64)
    positive = values > 0.0
    return np.where(positive, np.log2(np.where(positive, values, 1.0)), np.nan)


def _plain(values: NDArray[np.float64]) -> float | NDArray[np.float64]:
    return float(values) if np.ndim(values) == 0 else values
