"""Truth: which notes were really played, from a file that says so.

Four kinds of file are read, known by their content whatever they are called:

======================  ==============================================================================================
our table (CSV)         columns ``onset_s``, ``offset_s``, ``string`` and the pitch as ``midi``, ``hz`` or ``note``, as
                        in `notes.csv` of a rendered take; ``fades_s`` and ``faded_s`` if known; others are ignored;
                        also with semicolons or tabs, and decimal commas (`truth_table`)
Standard MIDI File      one channel per string: channel 1 carries string 1 (`truth_midi`)
JAMS                    one annotation of notes a string (`truth_json`)
JSON of a made-up take  ``notes``, as in `data/demo.json` (`thumbline.dsp.synthetic.demo`)
======================  ==============================================================================================

Times are seconds from the first frame of the take.
"""

import math
import os
from collections.abc import Iterable
from dataclasses import dataclass

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.text_files import LARGEST_NOTES, read_whole
from thumbline.dsp.note_names import hz_to_midi, note_to_midi
from thumbline.dsp.processor.notes import in_order
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.truth_entry import ACCEPTED, LATEST_S, Entry, shown
from thumbline.dsp.scoring.truth_json import json_entries
from thumbline.dsp.scoring.truth_midi import midi_entries
from thumbline.dsp.scoring.truth_table import table_entries


@dataclass(frozen=True)
class TrueNote:
    """One note that was played; times in seconds from the first frame."""

    string: int  #: 1 is the highest
    midi: float  #: fractional key number, 69 = A4
    onset_s: float
    offset_s: float
    fades_s: float  #: when it has fallen 26 dB below its loudest, or ``offset_s`` if that is earlier or nobody knows
    faded_s: float  #: the same for 42 dB


def load_truth(path: str | os.PathLike[str], rig: Rig) -> tuple[TrueNote, ...]:
    """Return the notes of the file at ``path``, in order of onset, lowest string first.

    ``rig`` says how many strings there are, and what A4 is where a file gives pitches in Hz. Raises InputError, of one
    line that names the file and the place in it, for a file that cannot be read or holds no usable notes.

    >>> import thumbline.dsp as tl
    >>> notes = tl.load_truth("data/demo.json", tl.Rig())
    >>> notes[0].onset_s <= notes[1].onset_s
    True
    """
    name = printable(path)
    try:
        content = read_whole(path, LARGEST_NOTES)
    except (OSError, ValueError) as error:  # ValueError: a null byte in the path
        reason = getattr(error, "strerror", None) or "no usable path"
        raise InputError(f"{name}: cannot be read ({reason}); accepted: {ACCEPTED}") from None
    notes = [_checked(entry, rig, name) for entry in _entries(content, rig, name)]
    if not notes:
        raise InputError(f"{name}: holds no notes; accepted: {ACCEPTED}, with one note or more")
    return tuple(in_order(notes))


def _entries(content: bytes, rig: Rig, name: str) -> Iterable[Entry]:
    if content.startswith(b"MThd"):
        return midi_entries(content, rig, name)
    try:
        text = content.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise InputError(f"{name}: byte {error.start} is not text in UTF-8; accepted: {ACCEPTED}") from None
    if text.lstrip().startswith(("{", "[")):
        return json_entries(text, rig, name)
    return table_entries(text, name)


def _checked(entry: Entry, rig: Rig, name: str) -> TrueNote:
    place = f"{name}: {entry.place}"
    string = _number(entry, "string", place, 1, rig.string_count)
    if string != int(string):
        raise InputError(f"{place}: string is {string:g}; accepted: a whole number, 1 to {rig.string_count}")
    onset_s = _number(entry, "onset_s", place, 0.0, LATEST_S)
    offset_s = _number(entry, "offset_s", place, onset_s, LATEST_S)
    faded_s = _number(entry, "faded_s", place, onset_s, LATEST_S, offset_s)
    fades_s = _number(entry, "fades_s", place, onset_s, faded_s, faded_s)
    return TrueNote(int(string), _pitch(entry, rig, place), onset_s, offset_s, fades_s, faded_s)


def _pitch(entry: Entry, rig: Rig, place: str) -> float:
    if "hz" in entry.values:
        return hz_to_midi(_number(entry, "hz", place, 8.0, 13_000.0), rig.instrument.a4_hz)
    if "note" in entry.values:
        try:
            return float(note_to_midi(str(entry.values["note"])))
        except InputError as error:
            raise InputError(f"{place}: {error}") from None
    return _number(entry, "midi", place, 0.0, 127.0)


def _number(entry: Entry, key: str, place: str, low: float, high: float, default: float | None = None) -> float:
    """Return a number of the entry from ``low`` to ``high``, or ``default`` if it is not there."""
    value = entry.values.get(key, default)
    accepted = f"accepted: a number, {low:g} to {high:g}"
    if value is None:
        raise InputError(f"{place}: {key} is missing; {accepted}")
    try:
        number = math.nan if isinstance(value, bool) else float(value)
    except (TypeError, ValueError, OverflowError):
        number = math.nan
    if not low <= number <= high:
        raise InputError(f"{place}: {key} is {shown(value)}; {accepted}")
    return number
