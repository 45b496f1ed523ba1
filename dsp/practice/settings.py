"""What practice tracks are wanted, and how."""

from dataclasses import dataclass
from pathlib import Path
from typing import Literal, NamedTuple

from thumbline.dsp.beats.tempo import FEWEST_BEATS_A_BAR, MOST_BEATS_A_BAR, check_bpm
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.sound_files import FORMATS
from thumbline.dsp.memory.voice_records import CHARACTERS
from thumbline.dsp.rig.model import Rig

Click = Literal["off", "count-in", "throughout"]
CLICKS: tuple[Click, ...] = ("off", "count-in", "throughout")
PLACEMENTS = ("together", "apart")
LOWEST_SPEED, HIGHEST_SPEED = 25.0, 200.0


class Mix(NamedTuple):
    """How loud the parts are in a track: 0 as played, -1 quieter by the amount of the settings, None left out."""

    bass: int | None
    guitar: int | None
    title: str


MIXES = {
    "bass": Mix(0, None, "bass alone"),
    "guitar": Mix(None, 0, "guitar alone"),
    "both": Mix(0, 0, "bass and guitar"),
    "bass-lead": Mix(0, -1, "bass, guitar quieter"),
    "guitar-lead": Mix(-1, 0, "guitar, bass quieter"),
    "both-click": Mix(0, 0, "bass and guitar with click"),
}
#: Tracks are for listening, so the bass sounds like one unless the raw voice is asked for.
USUAL_CHARACTER = "fingered"
#: These are made whatever is asked for: a player mixes them.
STEMS = ("bass", "guitar")
#: What is made if nothing is asked for, at full speed and slower.
USUAL_MIXES = tuple(MIXES)
USUAL_SLOW_MIXES = ("bass", "guitar", "both-click")


@dataclass(frozen=True)
class PracticeSettings:
    """All settings of a practice set. Raises InputError for those that cannot be."""

    bpm: float | None = None  #: None: from the taps, or estimated
    taps: Path | None = None
    beats_per_bar: int = 4
    first_bar_s: float | None = None  #: take time at which bar 1 begins; None: found
    speeds: tuple[float, ...] = (100.0, 75.0, 60.0)  #: percent
    transpose: int = 0  #: semitones
    character: str | None = None  #: of the bass; None: the rig's, or `USUAL_CHARACTER` if that is raw
    as_heard: bool = False  #: whether the bass line keeps what only passes
    mixes: tuple[str, ...] | None = None  #: None: the usual ones
    quieter_db: float = 12.0
    placement: str = "together"
    click: Click = "count-in"
    count_in_bars: int = 1
    click_db: float = 0.0
    accent_db: float = 4.0
    loops: tuple[str, ...] = ()
    loop_mix: str = "both"
    repeats: int = 4
    ladder: tuple[float, ...] = ()  #: percent, a repeat each; none: all repeats at 100
    gapless: bool = False  #: whether repeats follow at once, without a count-in before each
    loudness_lufs: float = -18.0
    ceiling_db: float = -1.0
    formats: tuple[str, ...] = ("flac",)
    stretch: Literal["strings", "library"] = "strings"

    def __post_init__(self) -> None:
        if self.bpm is not None:
            check_bpm(self.bpm)
        if self.bpm is not None and self.taps is not None:
            raise InputError("both a tempo and taps are given; accepted is one of them")
        _within("beats per bar", self.beats_per_bar, FEWEST_BEATS_A_BAR, MOST_BEATS_A_BAR)
        if self.first_bar_s is not None:
            _within("start of the first bar", self.first_bar_s, 0.0, 36000.0, " s")
        for speed in (*self.speeds, *self.ladder):
            _within("speed", speed, LOWEST_SPEED, HIGHEST_SPEED, " %")
        if not self.speeds:
            raise InputError("no speed is given; accepted: one or more, in percent")
        _within("transposition", self.transpose, -12, 12, " semitones")
        if self.character is not None:
            _among("character of the bass", self.character, CHARACTERS)
        for mix in (*(self.mixes or ()), self.loop_mix):
            _among("mix", mix, tuple(MIXES))
        _within("amount by which a part is quieter", self.quieter_db, 0.0, 60.0, " dB")
        _among("placement", self.placement, PLACEMENTS)
        _among("click", self.click, CLICKS)
        _among("stretch", self.stretch, ("strings", "library"))
        _within("count-in", self.count_in_bars, 0, 8, " bars")
        _within("click level", self.click_db, -40.0, 12.0, " dB")
        _within("accent", self.accent_db, 0.0, 24.0, " dB")
        _within("repeats", self.repeats, 1, 100)
        _within("loudness", self.loudness_lufs, -40.0, -9.0, " LUFS")
        _within("ceiling", self.ceiling_db, -12.0, 0.0, " dBTP")
        for name in self.formats:
            _among("format", name, tuple(FORMATS))
        if not self.formats:
            raise InputError(f"no format is given; accepted: {', '.join(FORMATS)}")

    def with_character(self, rig: Rig) -> Rig:
        """Return the rig with the character that the bass is to have."""
        usual = USUAL_CHARACTER if rig.bass.character == "raw" else rig.bass.character
        return rig.changed({"bass.character": self.character or usual})

    def mixes_at(self, speed: float) -> list[str]:
        """The mixes to be made at a speed, in the order of ``MIXES``."""
        wanted = self.mixes or (USUAL_MIXES if speed >= 100.0 or len(self.speeds) == 1 else USUAL_SLOW_MIXES)
        return [name for name in MIXES if name in wanted or name in STEMS]

    def click_in(self, mix: str) -> Click:
        """How the click is heard in a mix: never in a stem."""
        if mix in STEMS:
            return "off"
        return "throughout" if mix == "both-click" else self.click

    def gain_db(self, level: int) -> float:
        """What the level of a part in a mix means."""
        return level * self.quieter_db


def _within(what: str, value: float, low: float, high: float, unit: str = "") -> None:
    if not low <= value <= high:
        raise InputError(f"{what} is {value:g}{unit}; accepted: {low:g} to {high:g}{unit}")


def _among(what: str, value: str, accepted: tuple[str, ...]) -> None:
    if value not in accepted:
        raise InputError(f"{what} is {value!r}; accepted: {', '.join(accepted)}")


def parse_speeds(text: str) -> tuple[float, ...]:
    """Read speeds in percent, ``"60,75,100"``, as falling numbers without repeats, of six digits as in file names."""
    try:
        speeds = {float(f"{float(part.strip().removesuffix('%')):g}") for part in text.split(",")}
    except ValueError:
        raise InputError(f'speeds are "{text}"; accepted: percentages with commas, such as 60,75,100') from None
    return tuple(sorted(speeds, reverse=True))


def parse_ladder(text: str) -> tuple[float, ...]:
    """Read a ladder of speeds, ``"60-100"`` in steps of 5 percent, or ``"60-100/10"``."""
    climb, _, step = text.replace("%", "").partition("/")
    low, _, high = climb.partition("-")
    try:
        start, end, by = float(low), float(high), float(step or 5.0)
    except ValueError:
        start, end, by = 1.0, 0.0, 0.0
    if not (LOWEST_SPEED <= start < end <= HIGHEST_SPEED and by >= 1.0):
        accepted = f"from-to or from-to/step in percent, rising within {LOWEST_SPEED:g} to {HIGHEST_SPEED:g}"
        raise InputError(f'ladder is "{text}"; accepted: {accepted}, such as 60-100/10')
    rungs = [start]
    while rungs[-1] + by < end:
        rungs.append(rungs[-1] + by)
    return (*rungs, end)
