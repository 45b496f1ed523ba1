"""What there is to see while playing: plain facts, taken from the shared memory at one moment.

The screen, the plain lines and the JSON events are made from these. Levels are in dBFS, times in milliseconds,
cents from the nearest key.
"""

from dataclasses import dataclass

from thumbline.cli.tuning.tuner_view import TunerView

#: A level that means silence.
SILENCE_DB = -120.0
_INTERVALS: dict[float, str] = {
    0: "as played",
    -5: "a fourth down",
    -7: "a fifth down",
    -12: "octave down",
    -24: "two octaves down",
}


def interval_words(semitones: float) -> str:
    """Return the interval between string and bass in words where it has a name."""
    return _INTERVALS.get(semitones, f"{semitones:+g} semitones")


@dataclass(frozen=True)
class StringView:
    """One string."""

    number: int  #: 1 is the highest
    open_note: str
    level_db: float
    sounding: bool
    note: str  #: name of the key that sounds; empty while unknown
    cents: float  #: deviation from it
    bass: bool
    muted: bool  #: as last sent to the sound module

    @property
    def state(self) -> str:
        """Where the string is heard: a string that plays in the guitar is rightly muted in the sound module."""
        if self.bass:
            return "MUTED" if self.muted else "unmuted"
        if self.sounding and self.muted:
            return "guitar"
        return "muted" if self.muted else "unmuted"


@dataclass(frozen=True)
class EngineView:
    """The process that passes the sound."""

    status: str  #: one word or two: "starting", "playing", ...
    block_ms: float  #: the deadline
    work_ms: float  #: of a typical block of the last second
    worst_ms: float
    missed: int  #: blocks that the interface says were lost
    late: int  #: blocks whose work took longer than the block
    latency_ms: float  #: input and output, as the interface reports it; 0 if it does not
    sound_on: bool
    limiter_db: float  #: gain of the limiter, 0 or less
    peaks_db: tuple[float, ...]  #: of the outputs
    period_ms: float = 0.0  #: how often sound really comes, several blocks at a time or one; 0 while unknown


@dataclass(frozen=True)
class MidiView:
    """The process that sends the mutes."""

    status: str
    port: str  #: empty if nothing is sent
    present: bool
    wire_share: float  #: of what the cable carries, 0 to 1
    sent: int
    wait_ms: float  #: from the pluck to the message, last decision
    worst_ms: float
    own: bool = False  #: the port is one that others connect to


@dataclass(frozen=True)
class View:
    """Everything."""

    strings: tuple[StringView, ...]
    engine: EngineView
    midi: MidiView
    song: str
    song_number: int  #: from 1
    song_count: int
    split: bool
    hold: bool
    all_unmuted: bool
    bass_level_db: float
    tone_hz: float
    interval: float  #: semitones
    elapsed_s: float
    done: float | None  #: share of the take that was played; None with an interface
    notice: str  #: a fault and what helps, or what was just done; may be empty
    alarm: bool  #: whether the notice is about something wrong
    headline: str = ""  #: the same in a word or two
    next_song: str = ""  #: name of the song that follows; empty with one rig
    feet: tuple[str, ...] = ()  #: what a press of each foot switch would do now, and what each pedal is for
    character: str = "raw"  #: of the bass
    tuner: TunerView | None = None  #: None while nobody tunes
    recording: str = ""  #: "REC" while what is played is kept, "NOT REC" while it cannot be; empty if nobody asked
    page: str = ""  #: where the stage page is, and the code that lets one more screen in; empty without one


def unusual(view: View) -> list[str]:
    """Return what is not as it should be while a set is played, in a word or two each, the worst first."""
    midi, engine = view.midi, view.engine
    no_midi = bool(midi.port) and not midi.present
    words = [
        (view.headline, bool(view.headline)),
        ("NO SOUND", engine.status == "NO SOUND"),
        ("SOUND OFF", not engine.sound_on),
        ("NO MIDI", no_midi),
        ("SPLIT OFF", not view.split),
        ("HOLD", view.hold),
        ("UNMUTED", view.all_unmuted),
        ("NOT REC", view.recording == "NOT REC"),
    ]
    return list(dict.fromkeys(word for word, holds in words if holds))


def bass_words(view: View, tone: str = "") -> str:
    """Return how the bass is set, in a few words; ``tone`` stands before the figure of the tone."""
    hz = f"{view.tone_hz / 1000:.2g} kHz" if view.tone_hz >= 1000 else f"{view.tone_hz:.0f} Hz"
    character = "" if view.character == "raw" else f", {view.character}"
    return f"bass {view.bass_level_db:+.0f} dB, {interval_words(view.interval)}, {tone}{hz}{character}"
