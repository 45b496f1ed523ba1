"""The sections of a rig that only the stage needs: the audio interface, the MIDI ports, foot switches and pedals."""

from typing import Annotated, Literal

from pydantic import AfterValidator, Field, StrictBool

from thumbline.dsp.rig.sections import PerString, Section, limits, one_line
from thumbline.dsp.sample_rates import HIGHEST_RATE, LOWEST_RATE


def _name_or_nothing(name: str) -> str:
    return one_line(name) if name else name


DeviceName = Annotated[
    str,
    AfterValidator(_name_or_nothing),
    Field(max_length=200, description='"" or, in quotes, a name or number that `thumbline ports` lists'),
]
PortName = Annotated[
    str,
    AfterValidator(_name_or_nothing),
    Field(max_length=200, description='"" or a port\'s name, or a part of it that no other port has'),
]
OutputNumber = Annotated[int, limits(1, 64)]
Byte = Annotated[int, limits(0, 255)]
Outputs = Annotated[tuple[OutputNumber, ...], Field(min_length=1, max_length=64, description="a list of 1 to 64")]
OutputLevel = Annotated[float, limits(-60.0, 0.0)]
OutputLevels = Annotated[tuple[OutputLevel, ...], Field(description="one per output")]

Offset = Annotated[float, limits(-50.0, 50.0)]

Action = Literal[
    "split",
    "hold",
    "unmute all",
    "tuner",
    "save song",
    "bass level",
    "bass tone",
    "interval",
    "next song",
    "previous song",
    "song",
]
FootValue = Annotated[float, limits(-60.0, 20000.0)]


class Live(Section):
    """The audio interface on stage. `thumbline ports` lists what there is."""

    input: DeviceName = Field(
        default="", description='The device that the strings come in through; "" is the system\'s default.'
    )
    output: DeviceName = Field(
        default="", description='The device that bass and guitar go out through; "" is the system\'s default.'
    )
    sample_rate: Annotated[int, limits(LOWEST_RATE, HIGHEST_RATE)] = Field(
        default=48000, description="Sample rate in Hz; the interface must support it."
    )
    block_frames: Annotated[int, limits(32, 2048)] = Field(
        default=64,
        description="Buffer size in frames. Smaller: less delay. Larger: fewer dropouts.",
    )
    bass_outputs: Outputs = Field(
        default=(1,), description="The outputs, from 1, that carry the bass. One may carry bass and guitar."
    )
    bass_levels_db: OutputLevels = Field(
        default=(), description="How loud the bass is at each of its outputs, in dB: 0 leaves it, less is softer."
    )
    guitar_outputs: Outputs = Field(
        default=(2,),
        description="The outputs that carry the guitar; in stereo (guitar.stereo) left and right by turns, "
        "and [2, 3] if left out.",
    )
    guitar_levels_db: OutputLevels = Field(
        default=(), description="How loud the guitar is at each of its outputs, in dB: 0 leaves it, less is softer."
    )


class Midi(Section):
    """The MIDI ports on stage: out to the sound module, in from the foot controller."""

    port: PortName = Field(
        default="",
        description='The port that mutes, and bass notes, are sent to. "" opens a port of Thumbline\'s own '
        "that other programs connect to (not on Windows).",
    )
    foot_port: PortName = Field(
        default="",
        description='The port that the foot controller is heard on; "" is a port of Thumbline\'s own, as above.',
    )
    resend_s: Annotated[float, limits(0.0, 60.0)] = Field(
        default=1.0,
        description="Each string's mute is sent again this often, in seconds, string by string, so that a module "
        "that was switched off and on, or missed a message, is right again. 0: never.",
    )
    keep_alive: Literal["off", "active sensing", "message"] = Field(
        default="off",
        description="Whether the module hears ten times per second that all is well. A module that knows the message "
        'unmutes its strings by itself when the cable or the computer goes: "active sensing" is MIDI\'s own, "message" '
        "is the one in keep_alive_message.",
    )
    keep_alive_message: Annotated[tuple[Byte, ...], Field(max_length=3, description="a list of up to 3 bytes")] = Field(
        default=(),
        description="The message that is sent instead, as bytes: [176, 99, 127] is controller 99 with value 127 on "
        "channel 1.",
    )
    bass_notes: StrictBool = Field(
        default=False, description="Whether the bass line is also sent as MIDI notes, with pitch bend."
    )
    bass_channel: Annotated[int, limits(1, 16)] = Field(default=1, description="The MIDI channel of the bass notes.")
    bend_range: Annotated[int, limits(2, 24)] = Field(
        default=2,
        description="How far pitch bend reaches either way, in semitones; the module is told so first. "
        "A bend beyond it begins a new note.",
    )


class Tuner(Section):
    """The tuner on stage: silent, and as sweet or stretched as you like each string."""

    offsets_cents: PerString[Offset] = Field(
        default=(),
        description="How far above its note (below, if less than 0) each open string is in tune, in cents, and with it "
        "every note on that string.",
    )


class Foot(Section):
    """One foot switch or pedal and what it does. `thumbline rig learn` fills in message, channel and number."""

    action: Action = Field(
        default="split",
        description='"split": bass on or off; "hold": the bass stays on the string that has it; "unmute all": no '
        'string is muted while it is on; "tuner": all sound is silent and the pitch is shown large; "save song": what '
        "is set now goes into the set file; the others set the bass's level, tone or interval, or choose a song of "
        "the set.",
    )
    message: Literal["control change", "note", "program change"] = Field(
        default="control change", description="The kind of MIDI message that the switch or pedal sends."
    )
    channel: Annotated[int, limits(1, 16)] = Field(default=1, description="The MIDI channel it sends on.")
    number: Literal["any"] | Annotated[int, limits(0, 127)] = Field(
        default=80,
        description="The number of the controller (up to 119), the note, or the program, counted from 0. "
        '"any", for the action "song" and program changes: program 0 chooses song 1, and so on.',
    )
    behaviour: Literal["auto", "momentary", "latching", "stepped", "pedal"] = Field(
        default="auto",
        description='"momentary": on while pressed, off when let go; "latching": each press toggles it; '
        '"stepped": a press goes on to the next of steps; "pedal": follows the pedal. "auto" is what suits the '
        "action. A switch that keeps its own state and sends on and off by turns is momentary.",
    )
    low: Literal["auto"] | FootValue = Field(
        default="auto",
        description="What a pedal that is heel down, or a switch that is off, sets: level in dB on top of "
        "bass.level_db (-60: silent), tone in Hz, interval in semitones.",
    )
    high: Literal["auto"] | FootValue = Field(
        default="auto", description="The same with the pedal toe down, or the switch on."
    )
    steps: Annotated[tuple[FootValue, ...], Field(max_length=32, description="a list of up to 32")] = Field(
        default=(),
        description="The values, or numbers of songs, that a stepped switch goes through; with one value, every press "
        "goes to it.",
    )


Feet = Annotated[tuple[Foot, ...], Field(max_length=64, description="a list of up to 64")]
