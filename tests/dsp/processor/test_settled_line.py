"""A bass line as one would write it down, by small cases; on recordings in
``tests/references/test_written_line.py``."""

from dataclasses import replace

from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.settled_line import settled_line


def _note(onset_s: float, offset_s: float, string: int, midi: float = 40.0) -> Note:
    return Note(onset_s, offset_s, string, 0, midi, "", 82.4, 0.0, 90)


def test_a_strum_from_the_high_strings_down_leaves_its_lowest_note_where_it_began() -> None:
    notes = [_note(1.0, 2.0, 4, 50.0), _note(1.02, 2.0, 5, 45.0), _note(1.04, 2.0, 6, 40.0)]
    heard = [replace(notes[0], offset_s=1.02), replace(notes[1], offset_s=1.04), notes[2]]
    line = settled_line(heard, notes)
    assert line.notes == (notes[2],)
    assert line.passing == tuple(heard[:2])


def test_the_rest_of_a_chord_after_its_bass_note_is_left_out() -> None:
    notes = [_note(1.0, 1.5, 6), _note(1.0, 1.53, 3, 55.0), _note(2.0, 2.5, 6)]
    line = settled_line([notes[0], replace(notes[1], onset_s=1.5), notes[2]], notes)
    assert line.notes == (notes[0], notes[2])


def test_a_short_note_that_was_plucked_stays() -> None:
    """Stopped at once, it leaves the bass to silence, or to a higher string: a thumb stroke, damped."""
    notes = [_note(1.0, 1.04, 6), _note(0.5, 3.0, 3, 55.0), _note(2.0, 2.03, 5, 45.0)]
    rest = [replace(notes[1], onset_s=1.04, offset_s=2.0)]
    heard = [notes[0], *rest, notes[2]]
    assert settled_line(heard, notes).notes == tuple(heard)


def test_a_note_that_something_passed_by_goes_on() -> None:
    low, high = _note(1.0, 2.0, 5, 45.0), _note(1.4, 1.9, 3, 55.0)
    heard = [replace(low, offset_s=1.5), replace(high, onset_s=1.5, offset_s=1.52), replace(low, onset_s=1.52)]
    line = settled_line(heard, [low, high])
    assert line.notes == (low,)
    assert line.passing == (heard[1],)


def test_a_note_that_comes_back_after_a_rest_is_another_stretch() -> None:
    low = _note(1.0, 3.0, 5, 45.0)
    heard = [replace(low, offset_s=1.5), replace(low, onset_s=1.8)]
    assert settled_line(heard, [low]).notes == tuple(heard)


def test_nothing_is_nothing() -> None:
    assert settled_line([], []) == settled_line((), ())
    assert settled_line([], []).notes == ()
