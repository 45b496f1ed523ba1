"""Equal temperament against standards, a handbook's table and a reference library."""

import librosa
import numpy as np
import pytest

from tests.helpers.intervals import cents
from thumbline.dsp.note_names import hz_to_midi, midi_to_hz, midi_to_note, note_to_midi

# "Musical scales: equal tempered chromatic scale, A4 = 440", a table of the CRC Handbook of Chemistry and
# Physics; its values, in Hz to two places, are given here from memory.
HANDBOOK = """
C0    16.35  C#0   17.32  D0    18.35  D#0   19.45  E0    20.60  F0    21.83  F#0   23.12  G0    24.50
G#0   25.96  A0    27.50  A#0   29.14  B0    30.87  C1    32.70  C#1   34.65  D1    36.71  D#1   38.89
E1    41.20  F1    43.65  F#1   46.25  G1    49.00  G#1   51.91  A1    55.00  A#1   58.27  B1    61.74
C2    65.41  D2    73.42  E2    82.41  F2    87.31  G2    98.00  A2   110.00  B2   123.47  C3   130.81
D3   146.83  E3   164.81  F3   174.61  G3   196.00  G#3  207.65  A3   220.00  A#3  233.08  B3   246.94
C4   261.63  C#4  277.18  D4   293.66  D#4  311.13  E4   329.63  F4   349.23  F#4  369.99  G4   392.00
G#4  415.30  A4   440.00  A#4  466.16  B4   493.88  C5   523.25  E5   659.26  A5   880.00  C6  1046.50
E6  1318.51  A6  1760.00  C7  2093.00  C8  4186.01
"""

# MIDI Tuning Standard (MIDI 1.0 Detailed Specification), examples of frequency data: semitone, fraction of a
# semitone in 1/16384, Hz. Examples that the specification is known to print with errors are left out; one is
# rounded up in the last place (277.1827), hence the tolerance.
MIDI_TUNING_EXAMPLES = [
    (0x00, 0, 8.1758),
    (0x01, 0, 8.6620),
    (0x0C, 0, 16.3516),
    (0x3C, 0, 261.6256),
    (0x3D, 0, 277.1827),
    (0x44, 0x3FFF, 439.9984),
    (0x45, 0, 440.0000),
]


def test_the_standard_tuning_frequency_is_440_hz_for_the_a_above_middle_c() -> None:
    """ISO 16:1975, Acoustics: Standard tuning frequency (standard musical pitch); value from memory."""
    assert note_to_midi("A4") - note_to_midi("C4") == 9
    assert midi_to_hz(note_to_midi("A4")) == 440.0


def test_frequencies_agree_with_the_table_of_a_handbook() -> None:
    cells = HANDBOOK.split()
    rows = list(zip(cells[::2], map(float, cells[1::2]), strict=True))
    assert len(rows) == 60
    for name, hz in rows:
        assert midi_to_hz(note_to_midi(name)) == pytest.approx(hz, abs=0.0051), name
        assert midi_to_note(hz_to_midi(hz)) == name


def test_frequencies_agree_with_the_examples_of_the_midi_tuning_standard() -> None:
    for semitone, fraction, hz in MIDI_TUNING_EXAMPLES:
        assert midi_to_hz(semitone + fraction / 16384) == pytest.approx(hz, abs=1.0e-4)


def test_names_numbers_and_frequencies_agree_with_librosa() -> None:
    names = [
        f"{letter}{sign}{octave}" for letter in "CDEFGAB" for sign in ("", "#", "b", "##", "bb") for octave in range(9)
    ]
    ours = np.array([note_to_midi(name) for name in names], dtype=np.float64)
    np.testing.assert_array_equal(ours, librosa.note_to_midi(names))
    np.testing.assert_allclose(midi_to_hz(ours), librosa.note_to_hz(names), rtol=1e-12)
    np.testing.assert_allclose(hz_to_midi(midi_to_hz(ours)), librosa.hz_to_midi(midi_to_hz(ours)), rtol=1e-12)
    plain = librosa.midi_to_note(np.arange(128), unicode=False)
    assert [midi_to_note(midi) for midi in range(128)] == list(plain)


def test_another_reference_pitch_agrees_with_librosa() -> None:
    """librosa expresses a reference other than 440 Hz as a tuning in fractions of a semitone."""
    tuning = librosa.A4_to_tuning(442.0)
    assert cents(442.0, 440.0) == pytest.approx(100 * tuning, abs=1e-9)
    midi = np.arange(21, 109, dtype=np.float64)
    np.testing.assert_allclose(midi_to_hz(midi, 442.0), librosa.midi_to_hz(midi + tuning), rtol=1e-12)


def test_just_intervals_have_the_sizes_in_cents_that_the_books_give() -> None:
    """Ellis's appendix on cents to Helmholtz, On the Sensations of Tone (1885); values from memory."""
    for upper, lower, size in [(3, 2, 702), (4, 3, 498), (5, 4, 386), (6, 5, 316), (81, 80, 22)]:
        assert cents(float(upper), float(lower)) == pytest.approx(size, abs=0.5)
