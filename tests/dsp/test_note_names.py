"""Notes by name, key number and frequency."""

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from tests.helpers.intervals import cents
from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.note_names import hz_to_midi, midi_to_hz, midi_to_note, note_to_midi


@pytest.mark.parametrize(
    ("name", "midi"),
    [
        ("C4", 60),
        ("A4", 69),
        ("E2", 40),
        ("C-1", 0),
        ("G9", 127),
        ("C-2", -12),
        ("F#1", 30),
        ("Bb3", 58),
        ("F##3", 55),
        ("Fx3", 55),
        ("Abb3", 55),
        ("e4", 64),
        ("b3", 59),
        ("bb3", 58),
        ("bbb3", 57),
        ("  E2 ", 40),
        ("C\N{MUSIC SHARP SIGN}4", 61),
        ("D\N{MUSIC FLAT SIGN}4", 61),
        ("C\N{MUSICAL SYMBOL DOUBLE SHARP}4", 62),
        ("D\N{MUSICAL SYMBOL DOUBLE FLAT}4", 60),
    ],
)
def test_a_note_name_has_one_key_number(name: str, midi: int) -> None:
    assert note_to_midi(name) == midi


def test_the_octave_number_belongs_to_the_letter_not_to_the_pitch() -> None:
    assert note_to_midi("B#3") == note_to_midi("C4")
    assert note_to_midi("Cb4") == note_to_midi("B3")


@pytest.mark.parametrize("name", ["", "E", "H2", "E#b2", "2E", "E2.5", "E 2x", "###E2", "E###2", "E2\nF2", "E\u0662"])
def test_what_is_no_note_name_is_refused_with_the_name_and_the_form_accepted(name: str) -> None:
    with pytest.raises(InputError, match="accepted: a letter A to G") as caught:
        note_to_midi(name)
    assert f'"{printable(name)}"' in str(caught.value)


@given(st.integers(-100, 300))
def test_naming_a_key_and_reading_the_name_gives_the_key_back(midi: int) -> None:
    assert note_to_midi(midi_to_note(midi)) == midi


def test_a_fractional_key_number_is_named_after_the_nearest_key_and_halfway_goes_up() -> None:
    assert midi_to_note(39.51) == "E2"
    assert midi_to_note(40.49) == "E2"
    assert midi_to_note(40.5) == "F2"
    assert midi_to_note(41.5) == "F#2"
    assert midi_to_note(-0.5) == "C-1"


@pytest.mark.parametrize("midi", [math.nan, math.inf])
def test_only_finite_key_numbers_have_names(midi: float) -> None:
    with pytest.raises(ValueError, match="finite"):
        midi_to_note(midi)


def test_numbers_give_floats_and_arrays_give_arrays_of_the_same_values() -> None:
    midi = np.array([[40.0, 69.0], [71.25, 127.0]])
    hz = midi_to_hz(midi, 442.0)
    assert hz.shape == midi.shape
    for one_midi, one_hz in zip(midi.flat, hz.flat, strict=True):
        scalar = midi_to_hz(float(one_midi), 442.0)
        assert type(scalar) is float
        assert scalar == one_hz
        assert type(hz_to_midi(scalar, 442.0)) is float
    np.testing.assert_allclose(hz_to_midi(hz, 442.0), midi, rtol=0, atol=1e-12)


@given(st.floats(-20, 150), st.floats(400, 480))
def test_key_number_to_frequency_and_back_is_exact_to_a_billionth_of_a_cent(midi: float, a4_hz: float) -> None:
    assert hz_to_midi(midi_to_hz(midi, a4_hz), a4_hz) == pytest.approx(midi, abs=1e-11)


def test_a4_sounds_at_the_reference_whatever_that_is() -> None:
    assert midi_to_hz(69, 415.0) == 415.0
    assert hz_to_midi(442.0, 442.0) == 69.0


def test_cents_count_1200_to_the_octave_and_have_a_sign() -> None:
    assert cents(880.0, 440.0) == 1200.0
    assert cents(220.0, 440.0) == -1200.0
    np.testing.assert_allclose(cents(midi_to_hz(np.array([60.0, 60.5])), midi_to_hz(60.0)), [0.0, 50.0], atol=1e-9)


@pytest.mark.parametrize("hz", [0.0, -1.0, math.nan])
def test_what_is_no_frequency_has_no_pitch(hz: float) -> None:
    assert math.isnan(hz_to_midi(hz))
    assert math.isnan(cents(hz, 440.0))
    assert math.isnan(cents(440.0, hz))
    np.testing.assert_array_equal(hz_to_midi(np.array([hz, 440.0])), [math.nan, 69.0])


@pytest.mark.parametrize("a4_hz", [0.0, -440.0, math.nan, math.inf])
def test_a_reference_that_is_no_frequency_is_refused(a4_hz: float) -> None:
    with pytest.raises(ValueError, match="a4_hz is"):
        midi_to_hz(69.0, a4_hz)
    with pytest.raises(ValueError, match="a4_hz is"):
        hz_to_midi(440.0, a4_hz)
