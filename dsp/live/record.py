"""The record that the processes of `thumbline live` share, one writer to a field.

Each field has one writer, named below, and is a scalar or an array of scalars, so no lock is needed: a reader may see
one field a block newer than another. Times are nanoseconds of a clock that never goes back (the host says which);
frames are counted from the engine's start.
"""

from thumbline.dsp.memory.record_type import record_type
from thumbline.dsp.memory.records import MAX_STRINGS, OUTPUTS, PARAMS, STATE

#: Settings of a set, and output channels of a device, at most.
SETTINGS, ROUTES = 32, 64
#: Input channels that a rig can name, and frames handed to the kernel at once.
CHANNELS, CHUNK = 256, 64
#: Keepers that stand by for the one in charge.
STAND_BYS = 2
#: The engine's work and the keeper's waits are counted in bins a quarter octave wide, the first from 1 microsecond.
BINS = 64

#: Samples that the tape holds, and marks on it: 19 s of six strings and three outputs at 48 kHz.
TAPE_SAMPLES, MARKS = 1 << 23, 1024

#: Phases of the engine and the keeper.
STARTING, READY, PLAYING, ENDED, FAULT = range(5)

#: How the engine is set up. Written once, by the console.
SETUP = record_type(
    [
        ("input", "S256"),  # device by name or index, UTF-8; empty: the system's default
        ("output", "S256"),
        ("wait_s", "f8"),  # for so long MIDI ports that are not there at the start are waited for
        ("take_path", "S4096"),  # path of a take to be played instead of a device's input
        ("rate", "i8"),
        ("block_frames", "i8"),
        ("inputs", "i8"),  # channels to be opened
        ("outputs", "i8"),
        ("complete", "i8"),  # 1: all of the memory has been written
        ("routing", "f8", (OUTPUTS, ROUTES)),  # gain from bass, left, right to each output
    ]
)

#: What the player asks for. Written by the console and the keeper (foot controller), read by the engine each block.
REQUEST = record_type(
    [
        ("stop", "i8"),  # 1: all processes are to end
        ("sound_on", "i8"),  # the outputs are silent until this is 1; the level ramps either way
        ("begin", "i8"),  # 1: the take may begin
        ("setting", "i8"),  # index of the setting that is to be in force
        ("split", "i8"),  # 0: no bass; the guitar has all strings
        ("hold", "i8"),  # 1: the bass stays on the string that has it
        ("all_open", "i8"),  # 1: every mute is open, whatever is played
        ("tuner", "i8"),  # 1: the outputs are silent while the player tunes
        ("save", "i8"),  # how often it was asked to save what is set now into the set file
        ("bass_level_db", "f8"),  # added to the setting's level; -60 or less is silent
        ("tone_hz", "f8"),  # 0: as in the setting
        ("interval", "f8"),  # semitones, -24 to 0; NaN: as in the setting
        ("character", "i8"),  # 1 and more: of the bass, in the order of the rig's; 0: as in the setting
    ]
)

#: What the engine says. Written by the engine alone, but for ``work_worst_ns``, which a reader may set back to 0.
ENGINE = record_type(
    [
        ("pid", "i8"),
        ("phase", "i8"),
        ("fault", "S512"),  # one line, UTF-8, when the phase is FAULT
        ("advice", "S512"),  # what to do about it
        ("started_ns", "i8"),  # when the process began,
        ("first_block_ns", "i8"),  # and when it was first asked for sound
        ("rate", "f8"),  # as the device says
        ("block_frames", "i8"),  # of the last block
        ("blocks", "i8"),
        ("frames", "i8"),  # served: the heartbeat; the newest of them arrived at block_at_ns
        ("block_at_ns", "i8"),
        ("period_frames", "i8"),  # that come at a time, as their times tell; 0 while unknown,
        ("burst", "i8"),  # frames that have come at the present time,
        ("period_guess", "i8"),  # and how far the vote is
        ("period_votes", "i8"),
        ("events", "i8"),  # written to the ring (``state.events``) by the end of the last block
        ("missed", "i8"),  # blocks for which the device reported lost input or output
        ("late", "i8"),  # blocks whose work took longer than the block lasts
        ("work_ns", "i8"),  # of the last block
        ("work_worst_ns", "i8"),
        ("work_bins", "i8", BINS),
        ("input_latency_s", "f8"),  # as the device says; 0 if it does not
        ("output_latency_s", "f8"),
        ("setting", "i8"),  # in force
        ("limiter_db", "f8"),  # 0 or less
        ("output_limiter", "f8", ROUTES),  # gain of each output's own limiter
        ("output_peak", "f8", OUTPUTS),  # bass, left, right; full scale 1, falls by 20 dB per second
        ("input_peak", "f8", MAX_STRINGS),  # of each string's channel as it comes in, likewise
        ("alike", "i8", 2),  # input channels, from 1, that carry the same sound; 0 if none do,
        ("alike_sums", "f8", (MAX_STRINGS, MAX_STRINGS)),  # and what that is judged by: products of two strings,
        ("alike_count", "i8"),  # and of how many frames
        ("sound", "f8"),  # the ramp at start and end, 0 to 1
        ("take_frames", "i8"),  # length of the take, 0 without one,
        ("take_from", "i8"),  # and the frame at which it began; -1 before
    ]
)

#: What the keeper says. Written by the keeper in charge.
KEEPER = record_type(
    [
        ("pid", "i8"),
        ("phase", "i8"),
        ("fault", "S512"),
        ("beat_ns", "i8"),
        ("events_read", "i8"),
        ("lost", "i8"),  # events that the ring had overwritten
        ("forced", "S64"),  # why every string is open whatever is played; empty if none is forced
        ("closed", "i8", MAX_STRINGS),  # mutes as sent, string 1 first,
        ("reopened", "i8", MAX_STRINGS),  # and how often each was opened again, however short it was closed
        ("sent", "i8"),  # messages
        ("repeated", "i8"),  # of these, said again to be sure
        ("wire_share", "f8"),  # of what the wire can carry, over the last second
        ("wait_ns", "i8"),  # from the pluck's frame to its message, last decision
        ("wait_worst_ns", "i8"),
        ("wait_bins", "i8", BINS),
        ("port", "S256"),
        ("port_place", "S256"),  # the MIDI system in which it is called so
        ("port_present", "i8"),  # messages arrive
        ("port_own", "i8"),  # a port of ours that others connect to
        ("connections", "S2048"),  # of our own port, one name a line, for a successor
        ("standby_pid", "i8", STAND_BYS),  # by each who stands by: 0 for none,
        ("standby_beat_ns", "i8", STAND_BYS),
        ("standby_warm", "i8", STAND_BYS),  # 1: could take over at once
        ("feet_pid", "i8"),  # from here on by the process that hears the foot controller
        ("feet_beat_ns", "i8"),
        ("foot_port", "S256"),
        ("foot_present", "i8"),
        ("foot_own", "i8"),
        ("foot_connections", "S2048"),
        ("foot_last", "u1", 3),  # bytes of the last message from the foot controller
        ("foot_count", "i8"),
        ("foot_down", "u8"),  # bit n: the switch of the rig's foot n is pressed,
        ("foot_pressed", "u8"),  # and it has been, however briefly
    ]
)

#: A setting's name, UTF-8. (A record of its own: the compiler knows no arrays of text.)
NAME = record_type([("text", "S64")])

#: What was asked of the processor from a frame on. The units are the kernel's (``CONTROLS``).
MARK = record_type(
    [
        ("frame", "i8"),  # of the tape
        ("events", "i8"),  # written to the ring before it
        ("anew", "i8"),  # 1: an engine began here, with its state at rest
        ("setting_before", "i8"),  # in which it began, or that was in force,
        ("setting", "i8"),  # and the one in force from here on
        ("split", "i8"),
        ("hold", "i8"),
        ("level", "f8"),
        ("tone_hz", "f8"),
        ("ratio", "f8"),
        ("character", "i8"),
    ]
)

#: A ring of all that comes in and goes out, for the process that keeps it. Written by the engine; it outlives engines.
TAPE = record_type(
    [
        ("length", "i8"),  # frames that the ring holds; 0: nothing is kept. Written once, by the console.
        ("columns", "i8"),  # samples of a frame: the inputs, then bass, left and right; likewise
        ("written", "i8"),  # frames so far
        ("marked", "i8"),  # marks so far
        ("marking", "i8"),  # 1: one more has been made, for the block that is being served
        ("marks", MARK, MARKS),
        ("samples", "f4", TAPE_SAMPLES),
    ]
)

#: What the process that keeps the tape says. Written by it alone.
RECORDER = record_type(
    [
        ("pid", "i8"),
        ("beat_ns", "i8"),
        ("ended", "i8"),  # 1: all that was on the tape is in the files
        ("fault", "S512"),  # why nothing can be written at the moment; empty if all is well
        ("frames", "i8"),  # in the files, of each,
        ("lost", "i8"),  # and of these, silence in place of what was lost
        ("marks_read", "i8"),
        ("events_read", "i8"),
        ("table_bytes", "i8"),  # of the tables, up to those frames
        ("controls_bytes", "i8"),
        ("offset", "i8"),  # frame of the tape at which the engine's own count begins
    ]
)

#: What the console says. Written by it alone.
CONSOLE = record_type(
    [
        ("pid", "i8"),
        ("beat_ns", "i8"),
        ("news", "S512"),  # a fault and what helps, or what was just done, as the screen shows it; may be empty
        ("headline", "S32"),  # the fault in a word or two,
        ("alarm", "i8"),  # and whether it is one
    ]
)

#: The whole of it.
LIVE = record_type(
    [
        ("setup", SETUP),
        ("request", REQUEST),
        ("engine", ENGINE),
        ("keeper", KEEPER),
        ("console", CONSOLE),
        ("setting_count", "i8"),
        ("names", NAME, SETTINGS),
        ("params", PARAMS, SETTINGS),
        ("state", STATE),
        ("chunk_in", "f8", (CHUNK, CHANNELS)),  # the callback's own
        ("chunk_out", "f8", (CHUNK, OUTPUTS)),
        ("recorder", RECORDER),
        ("tape", TAPE),  # the last: its pages are not even there unless they are asked for
    ]
)
