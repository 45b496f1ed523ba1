"""Songs: jumps by number, and "save what I set now" into the set file, or into the rig where there is no set."""

import math
from pathlib import Path
from typing import NamedTuple

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.voice_records import CHARACTERS
from thumbline.dsp.rig.model import Rig

#: A second digit is waited for so long, in seconds.
SECOND_DIGIT_S = 0.8
#: Bass levels that a rig may have, in dB.
LOWEST_DB, HIGHEST_DB = -60.0, 12.0


class Told(NamedTuple):
    """What came of saving."""

    text: str
    fault: bool = False


def go_to(request: Record, setting: int) -> None:
    """Ask for another song, with its own interval and character, as a foot does (``foot_controller.go_to``)."""
    if setting != int(request.setting):
        request.interval, request.character = math.nan, 0
        request.setting = setting


class Jump:
    """Digits that are typed one after the other: the number of a song, from 1, of ``count``."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._first, self._until_s = 0, 0.0

    def digit(self, digit: int, now_s: float) -> int | None:
        """Take a digit; return the song to go to, None if there is none or another digit may follow."""
        number, self._first = 10 * self._first + digit, 0
        if number and 10 * number <= self._count:
            self._first, self._until_s = number, now_s + SECOND_DIGIT_S
            return None
        return number if 1 <= number <= self._count else None

    def due(self, now_s: float) -> int | None:
        """Return the song to go to because no second digit came."""
        if not self._first or now_s < self._until_s:
            return None
        number, self._first = self._first, 0
        return number


class Songs:
    """The settings of a run, while it runs.

    Parameters
    ----------
    live
        The shared record; ``request`` is written, and of ``params`` those of a song that is saved.
    settings
        Name and rig of each; the rig of a song that is saved is exchanged.
    rate
        Frames per second.
    set_file, rig_file
        Where the settings came from, at most one of them.
    """

    def __init__(
        self,
        live: Record,
        settings: list[tuple[str, Rig]],
        rate: int,
        set_file: Path | None = None,
        rig_file: Path | None = None,
    ) -> None:
        self._live, self._settings, self._rate = live, settings, rate
        self._set_file, self._rig_file = set_file, rig_file
        self._jump = Jump(len(settings))
        self._saves = int(live.request.save)

    def press(self, key: str, now_s: float) -> bool:
        """Do what a key says of songs; whether it says anything."""
        if key in ("w", "W"):
            self._live.request.save = int(self._live.request.save) + 1
        elif key.isascii() and key.isdecimal():
            self._go(self._jump.digit(int(key), now_s))
        else:
            return False
        return True

    def look(self, now_s: float) -> list[Told]:
        """Go to a song whose number is complete, and save if a key or a foot has asked for it; tell what came of it."""
        self._go(self._jump.due(now_s))
        saves = int(self._live.request.save)
        if saves == self._saves:
            return []
        self._saves = saves
        return [self.save()]

    def save(self) -> Told:
        """Write what is set now for the song that is played; the sound stays as it is."""
        live, number = self._live, int(self._live.engine.setting)
        name, rig = self._settings[number]
        request, bass = live.request, rig.bass
        interval, character = float(request.interval), int(request.character)
        changes: dict[str, float | str] = {
            "bass.level_db": round(min(max(bass.level_db + float(request.bass_level_db), LOWEST_DB), HIGHEST_DB), 2),
            "bass.tone_hz": round(float(request.tone_hz) or bass.tone_hz, 1),
            "bass.interval": bass.interval if math.isnan(interval) else round(interval),
            "bass.character": CHARACTERS[character - 1] if character else bass.character,
        }
        try:
            where = self._write(number, rig, changes)
            changed = rig.changed(changes, name or "the rig")
        except InputError as error:
            return Told(f"Not saved: {error}", fault=True)
        if not int(live.tape["length"]):  # what is being recorded is decided again by the rigs it began with
            self._use(number, (name, changed))
        song = f"{name!r}: " if name else ""
        new = changed.bass
        said = f"bass {new.level_db:+g} dB, {new.interval:+d} st, {new.tone_hz:g} Hz, {new.character}"
        return Told(f"Saved in {printable(where)}: {song}{said}")

    def _use(self, number: int, setting: tuple[str, Rig]) -> None:
        """Go by a changed setting from now on; the sound stays, since what is asked beside it goes back to nothing."""
        from thumbline.dsp.processor.parameters import compile_settings

        self._settings[number] = setting
        self._live.params[number] = compile_settings([setting], self._rate)[0]
        request = self._live.request
        request.bass_level_db, request.tone_hz, request.interval, request.character = 0.0, 0.0, math.nan, 0

    def _write(self, number: int, rig: Rig, changes: dict[str, float | str]) -> Path:
        if self._set_file is not None:
            from thumbline.dsp.rig.set_edit import save_in_set

            save_in_set(self._set_file, number + 1, changes)
            return self._set_file
        if self._rig_file is not None:
            from thumbline.dsp.rig.edit import save_changes

            save_changes(self._rig_file, self._rig_file, rig, changes)
            return self._rig_file
        raise InputError("there is no --set and no --rig to save in")

    def _go(self, number: int | None) -> None:
        if number is not None:
            go_to(self._live.request, number - 1)
