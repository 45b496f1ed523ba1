"""The process of the stage page: looks at the shared memory, which it cannot write, and serves what it sees.

What a screen asks for is said to the console, a line on standard output each, and the console does it or not. Nobody
waits for this process: a console that does not read, and screens that do not, lose what is old.

`python -m thumbline.cli.page MEMORY HOST PORT NAME`, started by the console. It ends with the console.
"""

import asyncio
import contextlib
import json
import logging
import os
import sys
import time
from pathlib import Path
from typing import Any

from thumbline.cli.console.listener import Listener
from thumbline.cli.page.address import PageAddress
from thumbline.cli.page.guard import Door
from thumbline.cli.page.programme import Programme, programme_path, read_programme
from thumbline.cli.page.screens import Screens
from thumbline.cli.page.server import PageServer
from thumbline.cli.page.told import told_of
from thumbline.cli.shared.live_memory import attach, field_view
from thumbline.cli.shared.processes import ProcessHandle
from thumbline.dsp.memory.record_type import Record

#: Views per second, and time between looks for what is shown at once, in seconds: with screens, and without.
VIEWS_HZ, LOOK_S, IDLE_S = 15.0, 0.01, 0.05
#: Views are at least so far apart, in seconds.
APART_S = 0.01
#: Events after which a view is shown at once ...
URGENT = frozenset({"handover", "note", "channel fault"})
#: ... and fields whose change is.
FIELDS = (
    *(f"request.{name}" for name in ("sound_on", "split", "hold", "all_open", "tuner", "setting")),
    *("engine.setting", "engine.phase", "keeper.closed", "keeper.port_present", "console.alarm"),
)
#: The console is told so often that this process lives, and the programme looked at, in seconds.
BEAT_S = 0.5
#: Added to the process's niceness (POSIX): the sound, the keepers and the console go first.
NICENESS = 10


def main(memory: Path) -> int:
    """Serve the page until the run ends."""
    logging.disable(logging.CRITICAL)  # what strangers send must fill no disk
    _stand_back()
    with contextlib.suppress(OSError, AttributeError):  # Windows cannot
        os.set_blocking(sys.stdout.fileno(), False)
    address = PageAddress(sys.argv[2], int(sys.argv[3]), sys.argv[4])
    live, programme = attach(memory, to_write=False), read_programme(memory)
    try:
        asyncio.run(StagePage(live, memory, programme, address).run())
    except OSError as error:
        print(f"{address.url} cannot be used ({os.strerror(error.errno) if error.errno else error})", file=sys.stderr)
        return 1
    return 0


class StagePage:
    """One run of the page on a live record."""

    def __init__(self, live: Record, memory: Path, programme: Programme, address: PageAddress) -> None:
        self._live, self._path = live, programme_path(memory)
        self._memory, self._settings = memory, programme.settings
        self._listener = Listener(live, self._settings)
        self._console = ProcessHandle(int(live.console.pid))
        self._fields = [field_view(live, name) for name in FIELDS]
        self._stop, self._events = field_view(live, "request.stop"), field_view(live, "state.events_written")
        self._read, self._urgent = -1, False
        self._seen: list[Any] = []
        self._written_ns = self._path.stat().st_mtime_ns
        self._screens = Screens(lambda what, to: say(ask=what, to=to))
        self._door = Door(programme.key, lambda code: say(code=code))
        self._server = PageServer(address, self._door, self._screens)

    async def run(self) -> None:
        """Serve until the run ends. Raises OSError if the address cannot be used."""
        async with self._server.listen():
            say(code=self._door.code)
            view_s = beat_s = 0.0
            while not (self._stop[0] or self._console.ended):
                now = time.monotonic()
                urgent = self._look()
                if len(self._screens) and now >= view_s - (1.0 / VIEWS_HZ - APART_S if urgent else 0.0):
                    view_s = now + 1.0 / VIEWS_HZ
                    self._screens.show(self._told())
                    self._urgent = False
                if now >= beat_s:
                    beat_s = now + BEAT_S
                    say(screens=len(self._screens))
                    self._read_anew()
                await asyncio.sleep(LOOK_S if len(self._screens) else IDLE_S)
            await self._screens.end()

    def _look(self) -> bool:
        """Whether something has happened that is to be shown at once, and has not been."""
        if (written := int(self._events[0])) != self._read:
            self._read = written
            self._urgent |= any(event["event"] in URGENT for event in self._listener.happened())
        if (seen := [view.tolist() for view in self._fields]) != self._seen:
            self._urgent, self._seen = True, seen
        return self._urgent

    def _told(self) -> dict[str, Any]:
        console = self._live.console
        news, headline = (bytes(text).decode(errors="replace") for text in (console.news, console.headline))
        view = self._listener.view(news, alarm=bool(console.alarm), headline=headline)
        return told_of(view) | {"songs": [name for name, _ in self._settings]}

    def _read_anew(self) -> None:
        """Go by songs that have been saved since."""
        with contextlib.suppress(OSError, ValueError):
            if (written_ns := self._path.stat().st_mtime_ns) != self._written_ns:
                self._written_ns = written_ns
                self._settings[:] = read_programme(self._memory).settings


def _stand_back() -> None:
    """Let everybody else go first, and interrupt nobody by waking up (sched(7), where the system can)."""
    if hasattr(os, "nice"):
        os.nice(NICENESS)
    if hasattr(os, "SCHED_BATCH"):
        with contextlib.suppress(OSError):
            os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))


def say(**what: object) -> None:
    """Say something to the console: a line, or nothing at all if the console does not read."""
    with contextlib.suppress(OSError):
        os.write(sys.stdout.fileno(), json.dumps(what).encode() + b"\n")
