"""Where the bass line lies on a bass of four strings, at the pitch at which it is heard.

Strings are tuned E1 A1 D2 G2 (common practice, no source), named as everywhere in the program: scientific pitch
notation of what sounds, so the lowest string is E1, key 28, 41.2 Hz. Of the places where a note can be played, those
are taken that move the hand least over the whole line (dynamic programming), near the nut where nothing else decides.
"""

from collections.abc import Sequence
from dataclasses import dataclass

from thumbline.dsp.processor.notes import Note

#: Open strings by key number, string 1 (the highest) first: G2, D2, A1, E1.
OPEN_MIDI = (43, 38, 33, 28)
HIGHEST_FRET = 24
#: A hand covers this many frets without moving (one finger per fret).
SPAN_FRETS = 3
#: What a fret of movement of the hand costs, a change of string, and a fret further from the nut.
MOVE_COSTS, STRING_COSTS, FRET_COSTS = 1.0, 0.3, 0.08


@dataclass(frozen=True)
class FingeredNote:
    """A note of the bass line on the bass."""

    onset_s: float
    offset_s: float
    midi: int  #: as it sounds
    string: int  #: 1 is the highest
    fret: int | None  #: None: below the lowest string (``string`` is 4) or above the highest fret (1)


def fingered(bassline: Sequence[Note], shift: int) -> list[FingeredNote]:
    """Put a bass line on the bass; ``shift`` semitones lead from the string as played to what is heard."""
    keys = [round(note.midi) + shift for note in bassline]
    found = _places(keys)
    return [
        FingeredNote(note.onset_s, note.offset_s, key, string, fret)
        for note, key, (string, fret) in zip(bassline, keys, found, strict=True)
    ]


def _options(key: int) -> list[tuple[int, int]]:
    return [(i + 1, key - low) for i, low in enumerate(OPEN_MIDI) if 0 <= key - low <= HIGHEST_FRET]


def _places(keys: Sequence[int]) -> list[tuple[int, int | None]]:
    """String and fret for each key."""
    # Cost so far, by string and place of the first finger.
    states: dict[tuple[int, int], float] = {(0, 1): 0.0}
    trail: list[dict[tuple[int, int], tuple[tuple[int, int], tuple[int, int | None]]]] = []
    for key in keys:
        options = _options(key)
        following: dict[tuple[int, int], float] = {}
        came: dict[tuple[int, int], tuple[tuple[int, int], tuple[int, int | None]]] = {}
        for (string, hand), cost in states.items():
            if not options:
                ways: list[tuple[tuple[int, int], float, tuple[int, int | None]]] = [
                    ((string, hand), cost, (4 if key < OPEN_MIDI[-1] else 1, None))
                ]
            else:
                ways = []
                for new, fret in options:
                    at = hand if fret == 0 else min(max(hand, fret - SPAN_FRETS), fret)
                    moved = MOVE_COSTS * abs(at - hand) + STRING_COSTS * (string not in (0, new)) + FRET_COSTS * fret
                    ways.append(((new, at), cost + moved, (new, fret)))
            for state, total, place in ways:
                if state not in following or total < following[state]:
                    following[state] = total
                    came[state] = ((string, hand), place)
        states = following
        trail.append(came)
    if not trail:
        return []
    state = min(states, key=lambda each: states[each])
    places: list[tuple[int, int | None]] = []
    for came in reversed(trail):
        state, place = came[state]
        places.append(place)
    return places[::-1]
