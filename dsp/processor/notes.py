"""Notes, as the tables and files know them."""

from collections.abc import Iterable
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Protocol, TypeVar

from thumbline.dsp.note_names import hz_to_midi, midi_to_note

if TYPE_CHECKING:
    from thumbline.dsp.rig.model import Rig

#: MIDI velocity of a note at its string's typical level (common practice, no source).
TYPICAL_VELOCITY = 88
#: How much louder each step of velocity is, in dB (common practice, no source).
DB_PER_VELOCITY_STEP = 0.5


@dataclass(frozen=True)
class Note:
    """One note on one string; times in seconds from the first frame."""

    onset_s: float
    offset_s: float
    string: int  #: 1 is the highest
    fret: int  #: from the capo, 0 is open
    midi: float  #: fractional key number, 69 = A4 at the rig's reference
    note: str  #: name of the nearest key
    hz: float  #: pitch of the string as played
    cents: float  #: deviation from the nearest key
    velocity: int  #: 1 to 127


def make_note(rig: "Rig", string: int, onset_s: float, offset_s: float, hz: float, peak_db: float) -> Note:
    """Name a note that sounded at ``hz`` on ``string`` and reached ``peak_db`` (dBFS, rms over a period).

    ``rig.detect.level_db`` must be numbers.
    """
    midi = hz_to_midi(hz, rig.instrument.a4_hz)
    key = round(midi)
    level_db = rig.detect.level_db[string - 1]
    assert not isinstance(level_db, str)
    return Note(
        onset_s=onset_s,
        offset_s=offset_s,
        string=string,
        fret=max(0, round(midi - float(rig.open_midi[string - 1]))),
        midi=midi,
        note=midi_to_note(key),
        hz=hz,
        cents=100.0 * (midi - key),
        velocity=velocity_of(peak_db, level_db),
    )


def velocity_of(peak_db: float, typical_db: float) -> int:
    """Return the MIDI velocity, 1 to 127, of a note that reached ``peak_db`` where ``typical_db`` is usual.

    >>> velocity_of(-20.0, -20.0), velocity_of(-14.0, -20.0), velocity_of(-90.0, -20.0)
    (88, 100, 1)
    """
    return min(max(round(TYPICAL_VELOCITY + (peak_db - typical_db) / DB_PER_VELOCITY_STEP), 1), 127)


class _Begun(Protocol):
    """What has an onset on a string."""

    @property
    def onset_s(self) -> float: ...

    @property
    def string(self) -> int: ...


Begun = TypeVar("Begun", bound=_Begun)


def hand_overs(bassline: Iterable[_Begun]) -> int:
    """Return how often the bass passes to another string, from one bass note to the next."""
    return sum(before.string != after.string for before, after in pairwise(bassline))


def in_order(notes: Iterable[Begun]) -> list[Begun]:
    """Return notes in order of their onsets; of equal ones the lower string comes first."""
    return sorted(notes, key=lambda note: (note.onset_s, -note.string))
