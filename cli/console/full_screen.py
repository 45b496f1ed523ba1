"""The full screen of `thumbline live`, and what its keys do."""

import math
import time
from collections.abc import Callable
from typing import Any, Self

from rich.console import Console
from rich.live import Live

from thumbline.cli.console.cautions import first_screen
from thumbline.cli.console.glyphs import huge
from thumbline.cli.console.notices import Notice
from thumbline.cli.console.reports import Summary
from thumbline.cli.console.screen import screen
from thumbline.cli.console.view import View, character_of
from thumbline.cli.songs.songs import HIGHEST_DB, LOWEST_DB, go_to
from thumbline.cli.tuning.tuner_screen import tuner_screen
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.voice_records import CHARACTERS
from thumbline.dsp.rig.model import Rig

#: Good news stays this long, in seconds.
NEWS_S = 4.0
#: Faults stay this long, in seconds.
FAULT_S = 12.0
#: Change of the bass's level per press, in dB.
LEVEL_STEP_DB = 1.0
#: Change of the bass's tone per press: a major third.
TONE_RATIO = 2.0 ** (1 / 3)
#: Tones of the bass that the keys reach, in Hz.
LOWEST_HZ = 80.0
HIGHEST_HZ = 20000.0
#: Keys that are obeyed before any others.
URGENT = "uUoOqQ"


def in_order(keys: str) -> str:
    """Return keys typed between two looks in the order in which they are obeyed: unmute all and stop first."""
    return "".join(sorted(keys, key=lambda key: key not in URGENT))


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


class ScreenReport:
    """Draws the view on the whole terminal; a context manager.

    With ``cautions`` it shows those first, until a key is pressed (:meth:`go_on`).
    """

    def __init__(self, *, cautions: bool = False) -> None:
        self._cautions = cautions
        self._console = Console(highlight=False)
        self._screen = Live(console=self._console, screen=True, auto_refresh=False, redirect_stderr=False)
        self._plain_characters = not (self._console.encoding or "").lower().startswith("utf")
        self._notice = Notice("caution", "Ears: begin with the amplifier turned down", fault=False)
        self._until = 0.0 if cautions else time.monotonic() + FAULT_S
        self._told: list[str] = []

    def __enter__(self) -> Self:
        self._screen.__enter__()
        return self

    def __exit__(self, *error: Any) -> None:
        self._screen.__exit__(*error)
        for line in self._told:  # the screen has gone: what was wrong stays readable
            self._console.print(line, markup=False)

    def start(self, event: dict[str, Any]) -> None:  # noqa: D102
        pass

    def events(self, events: list[dict[str, Any]]) -> None:  # noqa: D102
        for event in events:
            if event["event"] == "channel fault":
                text = f"Input channel {event['channel']} holds invalid samples"
                self.notice(Notice("channel", text, "replaced by silence; look at that cable"))

    def notice(self, notice: Notice) -> None:  # noqa: D102
        self._notice = notice
        self._until = time.monotonic() + (FAULT_S if notice.fault else NEWS_S)
        self._told.append(f"{time.strftime('%H:%M:%S')}  {notice}")

    def go_on(self) -> None:
        """Leave the cautions: a key has been pressed."""
        self._cautions = False

    @property
    def news(self) -> Notice | None:
        """What is to be shown at the moment."""
        return self._notice if time.monotonic() < self._until else None

    def show(self, view: Callable[[], View]) -> None:  # noqa: D102
        width, height = self._console.size
        if self._cautions:
            drawn = first_screen(view(), width, height)
        else:
            seen, plain = view(), self._plain_characters
            if seen.tuner is not None:
                drawn = tuner_screen(seen.tuner, width, height, huge, plain_characters=plain)
            else:
                drawn = screen(seen, width, height, plain_characters=plain)
        self._screen.update(drawn, refresh=True)

    def stop(self, code: int, figures: Summary) -> None:  # noqa: D102
        self._told.append(str(figures))
