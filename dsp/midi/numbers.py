"""Numbers of the MIDI 1.0 Detailed Specification 4.2.1 (MMA) that several modules need."""

#: Status bytes on channel 1 (table II).
NOTE_OFF, NOTE_ON, CONTROL_CHANGE, PROGRAM_CHANGE, PITCH_BEND = 0x80, 0x90, 0xB0, 0xC0, 0xE0
#: Numbers 120 to 127 are channel mode messages, not controllers (pages 11 and 20).
LAST_CONTROLLER = 119
#: Steps of pitch bend from its centre to either end (14 bits in all; page 19).
BEND_STEPS = 8192
#: Bits per second, and bits per byte with its start and stop bits ("Hardware").
BAUD, BITS_PER_BYTE = 31_250, 10


def bend_range_controls(semitones: int) -> list[tuple[int, int]]:
    """Return the controls (number, value) that set how far pitch bend reaches either way.

    Registered parameter 0,0 is the range; 127,127 closes it, so that no later data entry can change it (page 18).
    """
    return [(101, 0), (100, 0), (6, semitones), (38, 0), (101, 127), (100, 127)]
