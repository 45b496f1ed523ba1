"""The screens that have been let in: each is sent the newest view, never an old one, and asks for what is touched.

A screen says of each view that it has come. While several have not, it is sent nothing more: one that stalls neither
holds up the others nor is shown what is long past when it goes on. What is touched counts only if the screen showed the
present: a touch that was held up on its way for seconds is refused, and the screen says so.
"""

import asyncio
import json
import time
from collections import deque
from collections.abc import Callable
from typing import Any

from websockets.asyncio.server import ServerConnection
from websockets.exceptions import ConnectionClosed

from thumbline.cli.page.guard import Bucket

#: Views that may be on their way to a screen at a time.
UNDER_WAY = 4
#: A touch counts if the view that it was made on is not older than this, in seconds.
PRESENT_S = 2.0
#: Views whose times are remembered.
REMEMBERED = 256
#: Touches of a screen at once, and more of them per second.
TOUCHES, TOUCHES_PER_S = 8.0, 4.0
#: Messages of a screen at once, and more per second: beyond that it is hung up on.
MESSAGES, MESSAGES_PER_S = 120.0, 60.0
#: What a screen may ask for: "song" with a number, the others with 0 or 1.
ASKED = ("sound", "split", "hold", "unmute all", "tuner", "song")
#: Close codes: RFC 6455, 7.4.1 (1001 going away, 1008 policy violated).
GOING_AWAY, POLICY = 1001, 1008


class Screens:
    """All screens; ``ask`` is called with what a screen asks for."""

    def __init__(self, ask: Callable[[str, int], None]) -> None:
        self._ask = ask
        self._all: set[Screen] = set()
        self._number, self._text = 0, ""
        self._times: deque[tuple[int, float]] = deque(maxlen=REMEMBERED)

    def __len__(self) -> int:
        return len(self._all)

    def show(self, view: dict[str, Any]) -> None:
        """Have every screen show a view, as soon as it can."""
        self._number += 1
        self._times.append((self._number, time.monotonic()))
        self._text = json.dumps({"n": self._number, "view": view}, ensure_ascii=False, separators=(",", ":"))
        for screen in self._all:
            screen.news.set()

    @property
    def newest(self) -> tuple[int, str]:
        """Number and text of the newest view."""
        return self._number, self._text

    def age_s(self, number: int) -> float:
        """How old the view of that number is; endless if it is not remembered, or none of ours."""
        return time.monotonic() - next((at for each, at in self._times if each == number), -float("inf"))

    def ask(self, what: str, to: int) -> None:
        """Ask for what a screen asks for."""
        self._ask(what, to)

    async def serve(self, connection: ServerConnection) -> None:
        """Serve one screen until it goes."""
        screen = Screen(self, connection)
        self._all.add(screen)
        try:
            await screen.run()
        finally:
            self._all.discard(screen)

    async def end(self) -> None:
        """Tell every screen that play has ended."""
        await asyncio.gather(*(screen.end() for screen in self._all), return_exceptions=True)


class Screen:
    """One screen that has been let in."""

    def __init__(self, screens: Screens, connection: ServerConnection) -> None:
        self._screens, self._connection = screens, connection
        self._touches = Bucket(TOUCHES, TOUCHES_PER_S)
        self._messages = Bucket(MESSAGES, MESSAGES_PER_S)
        self._sent = screens.newest[0]  # a screen that is new waits for the next view: this one may be long past
        self._under_way: set[int] = set()
        self.news = asyncio.Event()  #: there is a newer view

    async def run(self) -> None:
        """Send and hear, each as fast as it can, until the screen goes."""
        sending = asyncio.ensure_future(self._send())
        try:
            await self._hear()
        except ConnectionClosed:
            pass
        finally:
            sending.cancel()
            await asyncio.gather(sending, return_exceptions=True)

    async def end(self) -> None:
        """Tell it that play has ended."""
        async with asyncio.timeout(0.2):
            await self._connection.send('{"ended":true}')
            await self._connection.close(GOING_AWAY)

    async def _send(self) -> None:
        while True:
            await self.news.wait()
            self.news.clear()
            number, text = self._screens.newest
            if number > self._sent and len(self._under_way) < UNDER_WAY:
                self._sent = number
                self._under_way.add(number)
                await self._connection.send(text)

    async def _hear(self) -> None:
        async for message in self._connection:
            said = _read(message)
            if said is None or not self._messages.take():
                await self._connection.close(POLICY, "too much, or nothing that this page says")
                return
            seen = said.get("seen")
            if isinstance(seen, int) and seen in self._under_way:
                self._under_way = {each for each in self._under_way if each > seen}
                self.news.set()
            if "do" in said:
                await self._touch(str(said["do"]), said.get("to"), seen)

    async def _touch(self, what: str, to: object, seen: object) -> None:
        if what not in ASKED or not isinstance(to, int):
            reason = "unknown"
        elif not self._touches.take():
            reason = "too many"
        elif not isinstance(seen, int) or self._screens.age_s(seen) > PRESENT_S:
            reason = "too late"
        else:
            self._screens.ask(what, int(to))
            return
        await self._connection.send(json.dumps({"refused": what[:20], "reason": reason}))


def _read(message: str | bytes) -> dict[str, Any] | None:
    """Return what a screen says; None if it is nothing that the page says."""
    try:
        said = json.loads(message)
    except (ValueError, RecursionError):
        return None
    return said if isinstance(said, dict) else None
