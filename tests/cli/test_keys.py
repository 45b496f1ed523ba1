"""Keys arrive one by one, and the terminal is put back whatever becomes of the program."""

import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from thumbline.cli.keys import Keyboard, plain_keys

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are POSIX", allow_module_level=True)

import pty
import termios

PROGRAM = """
import sys
from thumbline.cli.keys import Keyboard
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
