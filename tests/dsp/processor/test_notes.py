"""The naming of notes: fret, key, cents and velocity from string, pitch and level."""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from thumbline.dsp.processor.notes import TYPICAL_VELOCITY, make_note
from thumbline.dsp.rig.model import Rig

LEVEL_DB = -25.0


def rig(**instrument: object) -> Rig:
    return Rig.model_validate({"detect": {"level_db": [LEVEL_DB] * 6}, "instrument": instrument})


# Equal temperament with key 69 = 440 Hz: MIDI Tuning Standard, table of frequencies (values from memory).
@pytest.mark.parametrize(
    ("string", "hz", "fret", "name", "midi"),
    [
        (6, 82.4069, 0, "E2", 40.0),
        (5, 110.0, 0, "A2", 45.0),
        (4, 146.8324, 0, "D3", 50.0),
        (3, 195.9977, 0, "G3", 55.0),
        (2, 246.9417, 0, "B3", 59.0),
        (1, 329.6276, 0, "E4", 64.0),
        (1, 1318.5102, 24, "E6", 88.0),
        (6, 98.0, 3, "G2", 43.0),
    ],
)
def test_frets_and_names_are_those_of_standard_tuning(
    string: int, hz: float, fret: int, name: str, midi: float
) -> None:
    note = make_note(rig(), string, 0.0, 1.0, hz, LEVEL_DB)
    assert (note.fret, note.note) == (fret, name)
    assert note.midi == pytest.approx(midi, abs=1e-3)
    assert note.cents == pytest.approx(0.0, abs=0.1)
    assert note.hz == hz


def test_cents_are_the_distance_from_the_nearest_key() -> None:
    note = make_note(rig(), 5, 0.0, 1.0, 110.0 * 2 ** (30 / 1200), LEVEL_DB)
    assert (note.note, note.fret) == ("A2", 0)
    assert note.cents == pytest.approx(30.0)


def test_the_reference_pitch_moves_keys_and_frets() -> None:
    note = make_note(rig(a4_hz=432.0), 5, 0.0, 1.0, 108.0, LEVEL_DB)
    assert (note.note, note.fret) == ("A2", 0)
    assert note.midi == pytest.approx(45.0)


def test_frets_are_counted_from_the_capo() -> None:
    note = make_note(rig(capo=2), 5, 0.0, 1.0, 123.4708, LEVEL_DB)
    assert (note.note, note.fret) == ("B2", 0)


def test_a_string_that_is_flat_of_its_open_note_is_open() -> None:
    assert make_note(rig(), 6, 0.0, 1.0, 77.0, LEVEL_DB).fret == 0


def test_a_typical_note_has_the_typical_velocity() -> None:
    assert make_note(rig(), 6, 0.0, 1.0, 82.4, LEVEL_DB).velocity == TYPICAL_VELOCITY


@given(quiet=st.floats(-160.0, 20.0), louder_db=st.floats(0.0, 60.0))
def test_velocity_is_a_midi_velocity_and_grows_with_level(quiet: float, louder_db: float) -> None:
    soft = make_note(rig(), 6, 0.0, 1.0, 82.4, quiet).velocity
    loud = make_note(rig(), 6, 0.0, 1.0, 82.4, quiet + louder_db).velocity
    assert 1 <= soft <= loud <= 127


@given(midi=st.floats(38.0, 100.0), string=st.integers(1, 6), a4_hz=st.floats(400.0, 480.0))
def test_name_midi_and_cents_agree(midi: float, string: int, a4_hz: float) -> None:
    note = make_note(rig(a4_hz=a4_hz), string, 0.0, 1.0, a4_hz * 2.0 ** ((midi - 69.0) / 12.0), LEVEL_DB)
    assert note.midi == pytest.approx(midi, abs=1e-6)
    assert note.midi == pytest.approx(round(note.midi) + note.cents / 100.0, abs=1e-9)
    assert abs(note.cents) <= 50.0 + 1e-6
    assert note.fret >= 0
