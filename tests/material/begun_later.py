"""A performance that begins later in its take: a take is not always cut to the bars of its click."""

from dataclasses import replace

from tests.material.performances import Performance
from thumbline.dsp.processor.notes import Note


def begun_later(performance: Performance, by_s: float) -> Performance:
    """The same performance, begun ``by_s`` seconds later."""

    def later(notes: tuple[Note, ...]) -> tuple[Note, ...]:
        return tuple(replace(note, onset_s=note.onset_s + by_s, offset_s=note.offset_s + by_s) for note in notes)

    moved = (later(performance.notes), later(performance.bassline))
    return replace(performance, notes=moved[0], bassline=moved[1], beats_s=performance.beats_s + by_s)
