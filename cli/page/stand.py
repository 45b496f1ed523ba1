"""The stage page as the console sees it: a process that is begun, heard, started again, and ended.

It is heard by a thread of its own, so that a touch counts at once even where the terminal takes no output. What it says
is believed no further than this: a code and a number to show, and a name of `wishes.SWITCHES` or a song with a number.
"""

import contextlib
import json
import os
import secrets
import subprocess
import sys
import threading
import time
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path
from typing import Any

from thumbline.cli.console.child import END_S, ONE_THREAD
from thumbline.cli.console.notices import Notice
from thumbline.cli.page.address import PageAddress
from thumbline.cli.page.programme import write_programme
from thumbline.cli.shared.own_clock import OwnClock
from thumbline.cli.shared.processes import MODULE, last_line
from thumbline.dsp.errors import printable
from thumbline.dsp.rig.model import Rig

#: A process that died is followed by another one so long after its start, in seconds; if it goes on dying after twice
#: as long each time, up to this, so that it does not load the computer; one that lived for so long begins anew.
RETRY_S, LATEST_S, LIVED_S = 1.0, 60.0, 30.0
#: One that has said nothing for so long hangs, in seconds; it says something twice per second, once it has begun.
SILENT_S, START_S = 5.0, 60.0
#: Looks that are further apart mean that the console itself was stopped, in seconds.
GAP_S = 1.0
#: Bytes of a line that it may say.
LONGEST = 4096
#: Touches that are done per second at most, whatever the process says.
TOUCHES_PER_S = 40.0


class Stand:
    """The process of the stage page.

    Parameters
    ----------
    memory
        The memory file; what the process must know lies beside it.
    address
        Where it is to be.
    settings
        Name and rig of each song.
    """

    def __init__(self, memory: Path, address: PageAddress, settings: Sequence[tuple[str, Rig]]) -> None:
        self.address = address
        self._memory, self._settings, self._key = memory, settings, secrets.token_bytes(32)
        where = (str(memory), address.host, str(address.port), address.name)
        self._command = [sys.executable, *MODULE, "thumbline.cli.page", *where]
        self._log = memory.with_name("page.log")
        self._process: subprocess.Popen[bytes] | None = None
        self._ask: Callable[[str, int], None] = lambda what, to: None
        self._started_s, self._failed, self._deaths = 0.0, False, 0
        self._heard_ns, self._clock = 0, OwnClock(GAP_S)
        self._code: str | None = None  # None: not known yet; "": none works any more
        self._told_code: str | None = None
        self._screens = 0

    def start(self, ask: Callable[[str, int], None]) -> None:
        """Begin; what somebody touches is asked for by ``ask``, from a thread of its own."""
        self._ask = ask
        write_programme(self._memory, self._settings, self._key)
        self._begin()

    def use(self, settings: Sequence[tuple[str, Rig]]) -> None:
        """Go by changed settings."""
        self._settings = settings
        with contextlib.suppress(OSError):
            write_programme(self._memory, settings, self._key)

    @property
    def words(self) -> str:
        """Where it is, and the code that lets one more screen in."""
        if self._code is None:
            return f"page {self.address.url} is starting"
        code = f"code {_shown(self._code)}" if self._code else "locked: too many wrong codes"
        screens = f", {self._screens} screen{'s' * (self._screens != 1)}" if self._screens else ""
        return f"page {self.address.url}  {code}{screens}"

    def happened(self) -> list[dict[str, Any]]:
        """Return events since the last call: a new code."""
        if self._code is None or self._code == self._told_code:
            return []
        self._told_code = self._code
        return [{"event": "page", "url": self.address.url, "code": self._code}]

    def look(self) -> Iterator[Notice]:
        """Yield what is wrong with the process, or right again; start it again if it has died, end it if it hangs."""
        self._clock.look()
        process = self._process
        if process is None:
            return
        if process.poll() is None:
            started_ns = int(1e9 * self._started_s)
            has_begun = self._heard_ns > started_ns
            if self._clock.silent_ns(max(self._heard_ns, started_ns)) > 1e9 * (SILENT_S if has_begun else START_S):
                process.kill()  # it may be stopped by a signal; another one begins at a later look
            elif self._failed and has_begun:
                self._failed = False
                yield Notice("page", "The stage page is back", fault=False)
            return
        if time.monotonic() - self._started_s > min(RETRY_S * 2.0**self._deaths, LATEST_S):
            self._deaths = 0 if 1e-9 * self._heard_ns - self._started_s > LIVED_S else self._deaths + 1
            if not self._failed:
                self._failed = True
                yield Notice(
                    "page", "The stage page stopped", f"it is being started again {self._last_words()}".rstrip()
                )
            self._begin()

    def stop(self) -> None:
        """End it: it has seen that the run ends, and says so to the screens."""
        if self._process is not None:
            try:
                self._process.wait(END_S)
            except subprocess.TimeoutExpired:
                self._process.kill()
                with contextlib.suppress(subprocess.TimeoutExpired):
                    self._process.wait(END_S)

    def _begin(self) -> None:
        self._started_s, self._code, self._screens = time.monotonic(), None, 0
        with self._log.open("wb") as log:
            self._process = subprocess.Popen(
                self._command,
                stdin=subprocess.DEVNULL,
                stdout=subprocess.PIPE,
                stderr=log,
                start_new_session=True,
                env=ONE_THREAD | os.environ,
            )
        threading.Thread(target=self._hear, args=(self._process,), name="page", daemon=True).start()

    def _hear(self, process: "subprocess.Popen[bytes]") -> None:
        """Do as the process says, until it says nothing more."""
        pipe = process.stdout
        assert pipe is not None
        with pipe:
            while line := pipe.readline(LONGEST):
                with contextlib.suppress(ValueError, TypeError, KeyError, RecursionError):
                    self._hear_line(json.loads(line))

    def _hear_line(self, said: dict[str, Any]) -> None:
        self._heard_ns = time.monotonic_ns()
        if "ask" in said:
            self._ask(str(said["ask"]), int(said["to"]))
            time.sleep(1.0 / TOUCHES_PER_S)
        if "code" in said:
            code = str(said["code"])
            self._code = code if code.isascii() and code.isdecimal() and len(code) < 20 else ""
        if "screens" in said:
            self._screens = int(said["screens"])

    def _last_words(self) -> str:
        """The last line that the process printed, in brackets."""
        line = last_line(self._log)
        return f"({printable(line)})" if line else ""


def _shown(code: str) -> str:
    """Digits in two halves, as they are read aloud."""
    return f"{code[: len(code) // 2]} {code[len(code) // 2 :]}"
