"""The sections of a rig: the one table of settings, but for what only the stage needs (``rig_stage.py``).

Each field's type says what is accepted, its description what it means to a guitarist, and each section's
docstring what it is for; the comments in a rig file, the explanations and the error messages come from here.
Lists marked "one per string" go by string number: string 1, the highest, first. Levels are in dBFS (rms).
"""

from typing import Annotated, Any, Literal, TypeVar

from pydantic import AfterValidator, BaseModel, ConfigDict, Field, StrictBool

from thumbline.dsp.errors import InputError
from thumbline.dsp.note_names import note_to_midi

#: Open strings that are accepted.
LOWEST_OPEN_STRING = "A0"
HIGHEST_OPEN_STRING = "E5"


def _note(name: str) -> str:
    try:
        note_to_midi(name)
    except InputError as error:
        raise ValueError(str(error)) from None  # the kind of error that pydantic gathers
    return name.strip()


def _open_string(name: str) -> str:
    name = _note(name)
    if not note_to_midi(LOWEST_OPEN_STRING) <= note_to_midi(name) <= note_to_midi(HIGHEST_OPEN_STRING):
        raise ValueError(f'open string is "{name}"; accepted: {LOWEST_OPEN_STRING} to {HIGHEST_OPEN_STRING}')
    return name


def one_line(name: str) -> str:
    """Return a name unchanged; ValueError unless it can be printed in one line."""
    if not name.isprintable() or not name.strip():
        raise ValueError("not a name in one line")
    return name


def limits(low: float, high: float, note: str | None = None) -> Any:
    """Limits of a number, and a word about them."""
    return Field(strict=True, ge=low, le=high, description=note)


T = TypeVar("T")
PerString = Annotated[tuple[T, ...], Field(description="one per string")]
MatrixRow = Annotated[tuple[Annotated[float, limits(-1.0, 1.0)], ...], Field(description="a number per string")]
Matrix = Annotated[tuple[MatrixRow, ...], Field(description="a row per string, 1 on the diagonal")]
StringNumber = Annotated[int, Field(strict=True, ge=1, description="a string number, from 1")]
StringNumbers = Annotated[tuple[StringNumber, ...], Field(description="a list without repeats")]
Note = Annotated[str, AfterValidator(_note), Field(description='a note name such as "E2", "F#1" or "Bb3"')]
OpenString = Annotated[
    str,
    AfterValidator(_open_string),
    Field(description=f'a note name such as "E2" or "F#1", {LOWEST_OPEN_STRING} to {HIGHEST_OPEN_STRING}'),
]
OpenStrings = Annotated[tuple[OpenString, ...], Field(min_length=4, max_length=10, description="a list of 4 to 10")]
Channel = Annotated[int, limits(1, 256)]
Cents = Annotated[float, limits(-1200.0, 1200.0)]
Gain = Annotated[float, limits(-60.0, 12.0)]
Level = Annotated[float, limits(-160.0, 0.0)]
Pan = Annotated[float, limits(-1.0, 1.0)]
Trim = Annotated[float, limits(-24.0, 24.0)]
Controller = Annotated[int, limits(0, 119, "120 to 127 are channel mode messages of MIDI 1.0")]
ControlValue = Annotated[int, limits(0, 127)]
ModuleName = Annotated[
    str, AfterValidator(one_line), Field(max_length=60, description="a name of 1 to 60 characters in one line")
]


class Section(BaseModel):
    """What all sections share: they never change, and refuse unknown keys, infinite numbers and NaN."""

    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Instrument(Section):
    """The guitar."""

    strings: OpenStrings = Field(
        default=("E4", "B3", "G3", "D3", "A2", "E2"),
        description="The open strings, string 1 (the highest) first, without capo.",
    )
    a4_hz: Annotated[float, limits(400.0, 480.0)] = Field(
        default=440.0, description="The frequency of A4 you tune to. 440 is standard pitch (ISO 16)."
    )
    capo: Annotated[int, limits(0, 12)] = Field(default=0, description="The fret the capo sits on; 0 is no capo.")
    frets: Annotated[int, limits(12, 36)] = Field(default=24, description="How many frets the neck has.")


class Input(Section):
    """What comes in: which channel carries which string, and how it is levelled and cleaned."""

    channels: PerString[Channel] = Field(
        default=(),
        description="The channel, from 1, of the take or the audio interface that carries each string.",
    )
    trim_db: PerString[Trim] = Field(default=(), description="Input gain of each string, applied first, in dB.")
    invert: StringNumbers = Field(
        default=(), description="Strings whose polarity is flipped, for a pickup wired the other way."
    )
    mains_hz: Literal["auto", "off"] | Annotated[float, limits(45.0, 65.0)] = Field(
        default="auto",
        description="Mains hum to remove: 50 or 60 Hz, after your country's mains. "
        '"auto" looks for it; "off" removes nothing.',
    )


class Detect(Section):
    """When a string counts as sounding. `thumbline calibrate` measures all of this from a take."""

    floor_db: Literal["auto"] | PerString[Level] = Field(
        default="auto",
        description="The noise floor: how loud a string's channel is when nobody plays, in dBFS.",
    )
    level_db: Literal["auto"] | PerString[Level] = Field(
        default="auto", description="How loud a normally plucked note is, in dBFS."
    )
    on_db: Literal["auto"] | PerString[Level] = Field(
        default="auto",
        description="A string must be louder than this to begin to sound, in dBFS. "
        "Raise it if strings sound that nobody played; lower it if soft notes are missed.",
    )
    off_db: Literal["auto"] | PerString[Level] = Field(
        default="auto",
        description="Softer than this a string is silent, in dBFS; always below on_db. "
        "Lower it if long notes are cut short; raise it if stopped notes linger.",
    )
    strictness: Annotated[float, limits(0.1, 10.0)] = Field(
        default=1.0,
        description="How long a pluck must keep its pitch to be a note: 0.1 is nearly every touch, 10 only what rings "
        "long and clear. Lower it if short notes are missed; raise it if thumps are taken for notes.",
    )
    tuning_cents: PerString[Cents] = Field(
        default=(),
        description="For information only: how far each open string was off its note when measured, in cents.",
    )


class Bleed(Section):
    """How much of one string is heard in the channel of another, so that it can be taken out."""

    matrix: Literal["auto", "off"] | Matrix = Field(
        default="auto",
        description="Row i is the channel of string i; entry j is how much of string j arrives there "
        '(0.05 is -26 dB). "auto" leaves it to the program, "off" takes nothing out.',
    )


class Choice(Section):
    """Which of the sounding strings is the bass."""

    rule: Literal["lowest string", "lowest pitch", "last plucked"] = Field(
        default="lowest string",
        description='"lowest string" goes by the string\'s place on the neck, "lowest pitch" by the note '
        'that sounds, "last plucked" follows your latest note.',
    )
    strings: Literal["all"] | Annotated[StringNumbers, Field(min_length=1)] = Field(
        default="all",
        description='Strings that may carry the bass. [4, 5, 6] keeps it on the three lowest of six; "all" is any.',
    )
    highest_note: Literal["any"] | Note = Field(
        default="any",
        description='The highest note that may be bass. Higher notes stay with the guitar; "any": no limit.',
    )
    proof_ms: Annotated[float, limits(0.0, 60.0)] = Field(
        default=0.0,
        description="How long a pluck is listened to before the bass may pass to its string. "
        "More keeps thumps on damped strings from taking the bass, and is later by as much.",
    )
    settle_ms: Annotated[float, limits(0.0, 100.0)] = Field(
        default=0.0,
        description="How long to wait before a hand-over, so that a strum passes first. "
        "0 follows at once; more waits longer and changes strings less often.",
    )
    shortest_ms: Annotated[float, limits(0.0, 1000.0)] = Field(
        default=0.0, description="The shortest time a string keeps the bass once it has it."
    )
    rest: Literal["stop", "fade", "next string"] = Field(
        default="stop",
        description="What the bass does in a rest, when no string that may carry it sounds: stop with the string, fade "
        'over bass.fade_ms, or pass to the "next string" that sounds, whatever strings and highest_note say.',
    )
    silence: Literal["keep", "unmute all", "mute all"] = Field(
        default="keep",
        description="What the mutes do when no string sounds: stay as they are, unmute every string, or mute all.",
    )


class Bass(Section):
    """The bass line that Thumbline renders itself."""

    voice: Literal["shifted", "synth"] = Field(
        default="shifted",
        description='"shifted" is your own string, moved down; "synth" plays the same notes with a synthesised voice.',
    )
    character: Literal["raw", "round", "fingered", "picked"] = Field(
        default="raw",
        description='"raw" is the voice alone; "round", "fingered" and "picked" give it the partials of a bass that '
        "rings, darkest first, and even out its level.",
    )
    interval: Annotated[int, limits(-24, 0)] = Field(
        default=-12,
        description="How far the bass is moved, in semitones: -12 is an octave down, 0 leaves it.",
    )
    level_db: Gain = Field(default=0.0, description="How loud the bass is, in dB; 0 leaves it as played.")
    tone_hz: Annotated[float, limits(80.0, 20000.0)] = Field(
        default=3000.0, description="A low-pass filter on the bass, in Hz: lower is darker, 20000 lets all pass."
    )
    dynamics: Annotated[float, limits(0.0, 1.0)] = Field(
        default=1.0,
        description="0 makes every bass note equally loud, 1 leaves them as hard or soft as you played.",
    )
    crossfade_ms: Annotated[float, limits(1.0, 50.0)] = Field(
        default=5.0, description="How long a hand-over fades from one string to the next: short is crisp, long is soft."
    )
    linger_ms: Annotated[float, limits(0.0, 500.0)] = Field(
        default=0.0,
        description="How long a string lingers, softer and softer, when the pluck of another takes the bass: 0 cuts it "
        "off, 30 to 150 ties the notes.",
    )
    fade_ms: Annotated[float, limits(20.0, 20000.0)] = Field(
        default=600.0,
        description='How long the last note takes to die away by 60 dB in a rest, if choice.rest is "fade".',
    )


class Guitar(Section):
    """The guitar part: what is left beside the bass."""

    strings: Literal["others", "all"] = Field(
        default="others",
        description='"others" is every string but the bass of that moment; "all" keeps the bass string in.',
    )
    level_db: Gain = Field(default=0.0, description="How loud the guitar is, in dB; 0 leaves it as played.")
    stereo: StrictBool = Field(
        default=False, description="Whether the guitar part is in stereo, each string at its place in pan."
    )
    pan: PerString[Pan] = Field(
        default=(), description="Each string's place in stereo: -1 is left, 0 the middle, 1 right."
    )


class MuteModule(Section):
    """One sound module, or one part of it, with a mute for each string, moved by MIDI control changes."""

    name: ModuleName = Field(default="bass module", description="What you call it; messages and tables use this name.")
    channel: Annotated[int, limits(1, 16)] = Field(default=1, description="The MIDI channel it listens to.")
    controllers: PerString[Controller] = Field(
        default=(),
        description="The controller number of each string's mute, as assigned in the sound module; "
        "`thumbline mutes` helps to match them. 102 to 119 are undefined in MIDI 1.0, so free to use.",
    )
    unmuted_value: ControlValue = Field(default=0, description="The value that lets the string be heard.")
    muted_value: ControlValue = Field(
        default=127, description="The value that mutes the string; other than unmuted_value."
    )


class Mutes(Section):
    """The string mutes of the sound module that makes the bass."""

    order: Literal["unmute first", "mute first", "gap"] = Field(
        default="unmute first",
        description="What comes first at a hand-over: unmuting the new string, muting the old one, or "
        'muting, a pause of gap_ms, then unmuting ("gap").',
    )
    gap_ms: Annotated[float, limits(0.0, 100.0)] = Field(
        default=5.0, description='The pause between muting and unmuting if the order is "gap".'
    )
    modules: Annotated[tuple[MuteModule, ...], Field(max_length=16, description="a list of up to 16")] = Field(
        default=(MuteModule(),),
        description="The sound modules to mute, each under its own [[mutes.modules]]; [] sends no MIDI.",
    )


class Output(Section):
    """The last safeguard of loudspeaker and ears. Turn the amplifier down before you start all the same."""

    ceiling_db: Annotated[float, limits(-24.0, 0.0)] = Field(
        default=-1.0, description="No peak of the sound that goes out is higher than this, in dBFS."
    )
