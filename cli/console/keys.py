"""Keys as they are pressed, without Enter; and a terminal that is left as it was found, whatever happens."""

import contextlib
import os
import re
import select
import subprocess
import sys
import time
from pathlib import Path
from types import TracebackType
from typing import Any, Self

#: What the arrow keys send (ECMA-48 cursor functions, as terminals report keys), and which key each stands for.
_ARROWS = {"A": "+", "B": "-", "C": ">", "D": "<"}
_ESCAPE = re.compile(r"\x1b(?:[\[O][0-9;]*([A-Za-z~])|.)?", re.DOTALL)


class Keyboard:
    """A context manager that hands over single keys.

    Where standard input is not a terminal, or belongs to another program in the foreground, there are never any.

    On POSIX systems a small guard process puts the terminal back if this one is killed.
    """

    def __init__(self) -> None:
        self._saved: Any = None
        self._guard: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Self:
        if os.name == "posix" and _is_terminal() and _in_foreground(sys.stdin.fileno()):
            import termios
            import tty

            self._fd = sys.stdin.fileno()
            self._saved = termios.tcgetattr(self._fd)
            self._guard = _start_guard(self._fd, self._saved)
            tty.setcbreak(self._fd)
            changed = termios.tcgetattr(self._fd)
            changed[0] &= ~termios.IXON  # Ctrl-S would hold up the screen, and with it all other keys
            termios.tcsetattr(self._fd, termios.TCSANOW, changed)
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self._saved is None:
            return
        import termios

        with contextlib.suppress(termios.error):  # the terminal has gone: there is nothing to put back
            termios.tcsetattr(self._fd, termios.TCSADRAIN, self._saved)
        self._saved = None
        if self._guard is not None and self._guard.stdin is not None:
            try:
                self._guard.stdin.write(b"done")
                self._guard.stdin.close()
                self._guard.wait(1.0)
            except (OSError, subprocess.TimeoutExpired):
                self._guard.kill()

    @property
    def has_keys(self) -> bool:
        """Whether anybody can press a key; asked while the context is open."""
        if os.name == "posix":
            return self._saved is not None
        return _is_terminal()

    def wait(self, seconds: float) -> str:
        """Wait for keys, ``seconds`` at most, and return them; arrows as ``+ - > <``, other special keys not at all."""
        if os.name == "nt" and _is_terminal():
            return _windows_keys(seconds)
        if self._saved is None:
            time.sleep(seconds)
            return ""
        if not select.select([self._fd], [], [], seconds)[0]:
            return ""
        typed = os.read(self._fd, 1024)
        if not typed:  # the terminal has gone
            time.sleep(seconds)
        return plain_keys(typed.decode(errors="ignore"))


def _is_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _in_foreground(fd: int) -> bool:
    """Whether this process may change the terminal; one in the background would be stopped."""
    try:
        return os.tcgetpgrp(fd) == os.getpgrp()
    except OSError:  # not the terminal that this process is controlled from
        return True


def plain_keys(typed: str) -> str:
    """Return what was typed with escape sequences replaced: arrows by the key they stand for, others by nothing."""
    return _ESCAPE.sub(lambda found: _ARROWS.get(found[1] or "", ""), typed)


def _start_guard(fd: int, saved: list[Any]) -> subprocess.Popen[bytes]:
    """Start the guard with the terminal as its standard output; a session of its own keeps signals away from it."""
    guard = Path(__file__).with_name("terminal_guard.py")
    return subprocess.Popen(
        [sys.executable, "-I", "-S", str(guard), repr(saved)],
        stdin=subprocess.PIPE,
        stdout=fd,
        stderr=subprocess.DEVNULL,
        start_new_session=True,
    )


def _windows_keys(seconds: float) -> str:
    import msvcrt

    keys: Any = msvcrt
    until = time.monotonic() + seconds
    while not keys.kbhit():
        if time.monotonic() > until:
            return ""
        time.sleep(0.01)
    key = keys.getwch()
    if key in "\x00\xe0":  # a special key: its code follows
        return {"H": "+", "P": "-", "M": ">", "K": "<"}.get(keys.getwch(), "")
    return key
