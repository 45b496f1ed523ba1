"""Keys arrive one by one, and the terminal is put back whatever becomes of the program."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from types import SimpleNamespace

import pytest

import thumbline.cli.console.keys as keys_module
from thumbline.cli.console.keys import Keyboard, plain_keys

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import pty
import termios
import tty

import thumbline.cli.console.terminal_guard as terminal_guard

PROGRAM = """
import sys
from thumbline.cli.console.keys import Keyboard
with Keyboard() as keyboard:
    print("\\x1b[?1049hready", flush=True)
    while True:
        key = keyboard.wait(5.0)
        print("got", key, flush=True)
        if key == "x":
            raise ValueError("broken")
        if key == "q":
            break
"""


@pytest.fixture
def terminal() -> Iterator[tuple[int, int]]:
    master, slave = pty.openpty()
    yield master, slave
    os.close(master)
    os.close(slave)


def read_until(master: int, wanted: bytes) -> bytes:
    seen = b""
    deadline = time.monotonic() + 20.0
    while wanted not in seen and time.monotonic() < deadline:
        os.set_blocking(master, False)
        try:
            seen += os.read(master, 4096)
        except BlockingIOError:
            time.sleep(0.01)
    assert wanted in seen
    return seen


@contextmanager
def running(slave: int) -> Iterator["subprocess.Popen[bytes]"]:
    """Run a program that reads keys, and wait for its end whatever the test finds."""
    with subprocess.Popen([sys.executable, "-c", PROGRAM], stdin=slave, stdout=slave, stderr=slave) as program:
        try:
            yield program
        finally:
            program.kill()


@pytest.mark.parametrize(
    ("ending", "code"),
    [(b"q", 0), (b"x", 1), (signal.SIGTERM, -15), (signal.SIGINT, None), (signal.SIGKILL, -9), (signal.SIGHUP, -1)],
)
def test_the_terminal_is_put_back_whatever_happens(
    terminal: tuple[int, int], ending: bytes | int, code: int | None
) -> None:
    master, slave = terminal
    before = termios.tcgetattr(slave)
    with running(slave) as program:
        read_until(master, b"ready")
        assert termios.tcgetattr(slave) != before, "the terminal hands over single keys"
        if isinstance(ending, bytes):
            os.write(master, ending)
        else:
            program.send_signal(ending)
        assert program.wait(10.0) == code or code is None
        if isinstance(ending, int) and ending in (signal.SIGTERM, signal.SIGKILL, signal.SIGHUP):
            read_until(master, b"\x1b[?1049l")  # the guard leaves the alternate screen, settings first
        assert termios.tcgetattr(slave) == before


def test_keys_need_no_enter(terminal: tuple[int, int]) -> None:
    master, slave = terminal
    with running(slave) as program:
        read_until(master, b"ready")
        os.write(master, b"s")
        read_until(master, b"got s")
        os.write(master, b"q")
        assert program.wait(10.0) == 0


def test_ctrl_s_holds_nothing_up(terminal: tuple[int, int]) -> None:
    """By POSIX (General Terminal Interface, IXON) it stops the terminal's output, until Ctrl-Q."""
    master, slave = terminal
    with running(slave) as program:
        read_until(master, b"ready")
        os.write(master, b"\x13")
        read_until(master, b"got \x13")
        os.write(master, b"o")
        read_until(master, b"got o")
        os.write(master, b"q")
        assert program.wait(10.0) == 0


def test_without_a_terminal_there_are_no_keys(monkeypatch: pytest.MonkeyPatch) -> None:
    with Path(os.devnull).open() as nothing:
        monkeypatch.setattr(sys, "stdin", nothing)
        with Keyboard() as keyboard:
            assert keyboard.wait(0.0) == ""


@pytest.mark.parametrize(
    ("typed", "keys"),
    [
        ("q", "q"),
        ("\x1b[C", ">"),
        ("\x1b[D\x1b[A\x1bOB", "<+-"),
        ("a\x1b[15~b", "ab"),
        ("\x1b[1;5C", ">"),
        ("\x1b", ""),
    ],
)
def test_arrows_stand_for_keys_and_other_special_keys_for_nothing(typed: str, keys: str) -> None:
    assert plain_keys(typed) == keys


@pytest.mark.parametrize("told", [b"done", b"do", b""])
def test_the_guard_puts_the_terminal_back_unless_that_was_done(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch, told: bytes
) -> None:
    """Its own process has no more than Python itself, so that it starts at once; here its work is done in this one."""
    master, slave = terminal
    saved = termios.tcgetattr(slave)
    tty.setcbreak(slave)
    changed = termios.tcgetattr(slave)
    reading, writing = os.pipe()
    os.write(writing, told)
    os.close(writing)
    with os.fdopen(reading, "rb") as stdin, os.fdopen(os.dup(slave), "wb") as stdout:
        monkeypatch.setattr(sys, "argv", ["guard", repr(saved)])
        monkeypatch.setattr(sys, "stdin", stdin)
        monkeypatch.setattr(sys, "stdout", stdout)
        terminal_guard.main()
    os.set_blocking(master, False)
    if told == b"done":
        assert termios.tcgetattr(slave) == changed
        with pytest.raises(BlockingIOError):
            os.read(master, 100)
    else:
        assert termios.tcgetattr(slave) == saved
        assert os.read(master, 100).startswith(b"\x1b[?1049l\x1b[?25h\x1b[0m")


class Console:
    """Stands in for Windows' module msvcrt: keys that come one after the other."""

    def __init__(self, keys: str):
        self.keys = list(keys)

    def kbhit(self) -> bool:
        return bool(self.keys)

    def getwch(self) -> str:
        return self.keys.pop(0)


@pytest.mark.parametrize(
    ("typed", "key"), [("s", "s"), ("\x00H", "+"), ("\xe0P", "-"), ("\xe0M", ">"), ("\x00;", ""), ("", "")]
)
def test_keys_of_windows_are_read_as_those_of_other_systems(
    monkeypatch: pytest.MonkeyPatch, typed: str, key: str
) -> None:
    monkeypatch.setitem(sys.modules, "msvcrt", Console(typed))
    monkeypatch.setattr(keys_module, "os", SimpleNamespace(name="nt"))
    monkeypatch.setattr(sys, "stdin", SimpleNamespace(isatty=lambda: True))
    assert Keyboard().wait(0.02) == key


def test_a_guard_that_does_not_answer_is_not_waited_for(
    terminal: tuple[int, int], monkeypatch: pytest.MonkeyPatch
) -> None:
    _, slave = terminal
    before = termios.tcgetattr(slave)
    with os.fdopen(os.dup(slave), "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keyboard() as keyboard:
            guard = keyboard._guard
            assert guard is not None
            guard.kill()
            guard.wait()
            assert guard.stdin is not None
            guard.stdin.close()
            guard.stdin = Gone()  # pyright: ignore[reportAttributeAccessIssue]  a pipe whose reader has ended
    assert termios.tcgetattr(slave) == before


class Gone:
    def write(self, told: bytes) -> None:
        raise BrokenPipeError(32, "Broken pipe")


def test_a_terminal_that_has_gone_gives_no_keys_and_is_not_asked_in_haste(monkeypatch: pytest.MonkeyPatch) -> None:
    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        with Keyboard() as keyboard:
            os.close(master)
            began = time.monotonic()
            assert keyboard.wait(0.2) == ""
            assert time.monotonic() - began >= 0.2
