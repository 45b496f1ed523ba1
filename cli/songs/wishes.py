"""What the player wishes: by a key, by the stage page, and both alike."""

import math
import threading
import time
from collections.abc import Callable

from thumbline.cli.songs.songs import HIGHEST_DB, LOWEST_DB, Songs, go_to
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.voice_records import CHARACTERS
from thumbline.dsp.rig.model import Rig

#: Change of the bass's level per press, in dB.
LEVEL_STEP_DB = 1.0
#: Change of the bass's tone per press: a major third.
TONE_RATIO = 2.0 ** (1 / 3)
#: Tones of the bass that the keys reach, in Hz.
LOWEST_HZ = 80.0
HIGHEST_HZ = 20000.0
#: Keys that are obeyed before any others.
URGENT = "uUoOqQ"
#: What can be asked for by name, switched on or off: the key, and the field of the request that it moves.
SWITCHES = {
    "sound": (" ", "sound_on"),
    "split": ("s", "split"),
    "hold": ("h", "hold"),
    "unmute all": ("u", "all_open"),
    "tuner": ("t", "tuner"),
}


def in_order(keys: str) -> str:
    """Return keys typed between two looks in the order in which they are obeyed: unmute all and stop first."""
    return "".join(sorted(keys, key=lambda key: key not in URGENT))


def character_of(request: Record, rig: Rig) -> str:
    """Return the character of the bass that the player has chosen, or else that of the rig in force."""
    chosen = int(request.character) - 1
    return CHARACTERS[chosen] if 0 <= chosen < len(CHARACTERS) else rig.bass.character


def press(key: str, live: Record, rig: Rig) -> bool:
    """Do what a key says: change the player's wishes in the memory. Returns False if it means to stop.

    ``rig`` is that of the song in force. Keys that mean nothing do nothing.
    """
    request = live.request
    if key in ("q", "Q"):
        return False
    if key == " ":
        request.sound_on = 1 - request.sound_on
    elif key in ("s", "S"):
        request.split = 1 - request.split
    elif key in ("h", "H"):
        request.hold = 1 - request.hold
    elif key in "uUoO":
        request.all_open = 1 - request.all_open
    elif key in ("t", "T"):
        request.tuner = 1 - request.tuner
    elif key in "+=-_":
        step = LEVEL_STEP_DB if key in "+=" else -LEVEL_STEP_DB
        request.bass_level_db = min(max(float(request.bass_level_db) + step, LOWEST_DB), HIGHEST_DB)
    elif key in "[]":
        tone = (float(request.tone_hz) or rig.bass.tone_hz) * (TONE_RATIO if key == "]" else 1.0 / TONE_RATIO)
        request.tone_hz = min(max(tone, LOWEST_HZ), HIGHEST_HZ)
    elif key in ("c", "C"):
        following = CHARACTERS.index(character_of(request, rig)) + 1
        request.character = 1 + following % len(CHARACTERS)
    elif key in "<>,.":
        step = 1 if key in ">." else -1
        go_to(request, (int(request.setting) + step) % int(live.setting_count))
    elif key in ("r", "R"):
        request.bass_level_db, request.tone_hz, request.interval, request.character = 0.0, 0.0, math.nan, 0
        live.engine.work_worst_ns = 0
    return True


class Wishes:
    """All that a player may ask for while playing; keys and page may ask at the same time, from threads of their own.

    Args:
        live: the shared record; ``request`` is written.
        songs: of this run.
        rig: returns the rig of the song in force.
        sound: whether it begins with the sound on.
    """

    def __init__(self, live: Record, songs: Songs, rig: Callable[[], Rig], *, sound: bool) -> None:
        self._live, self._songs, self._rig = live, songs, rig
        self._lock = threading.Lock()
        self.sound = sound  #: whether the sound is to be on; an engine that begins is told anew

    def press(self, key: str) -> bool:
        """Do what a key says. Returns False if it means to stop."""
        with self._lock:
            return self._songs.press(key, time.monotonic()) or self._press(key)

    def ask(self, what: str, to: int) -> None:
        """Switch one of ``SWITCHES`` on (1) or off (0), or go to a song (``what`` is "song", ``to`` from 1).

        What is as asked stays so: asked for twice, by two screens, is asked for once. What makes no sense does nothing.
        """
        with self._lock:
            if what == "song":
                if 1 <= to <= int(self._live.setting_count):
                    go_to(self._live.request, to - 1)
            elif what in SWITCHES and to in (0, 1):
                key, field = SWITCHES[what]
                now = self.sound if what == "sound" else bool(self._live.request[field])
                if now != bool(to):
                    self._press(key)

    def _press(self, key: str) -> bool:
        self.sound ^= key == " "
        return press(key, self._live, self._rig())
