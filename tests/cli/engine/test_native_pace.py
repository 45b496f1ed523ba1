"""Blocks come in order, each when it is due, and not after the stop; what comes far too late is told as lost."""

import ctypes
import threading
import time

import numpy as np
import pytest

from thumbline.cli.engine.callback import LOST
from thumbline.cli.engine.native_pace import PATIENCE_NS, pace

RATE, BLOCK = 48_000, 64
FRAME_NS = 1e9 / RATE
CALLBACK = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.POINTER(ctypes.c_float),
    ctypes.POINTER(ctypes.c_float),
    ctypes.c_ulong,
    ctypes.c_void_p,
    ctypes.c_ulong,
    ctypes.c_void_p,
)


class Heard:
    """A stream callback that notes what it is given and gives back twice that."""

    def __init__(self) -> None:
        self.blocks: list[np.ndarray] = []
        self.flags: list[int] = []
        self.users: list[int] = []
        self.at_ns: list[int] = []
        self._callback = CALLBACK(self._serve)
        self.address = ctypes.cast(self._callback, ctypes.c_void_p).value or 0

    def _serve(self, source: object, target: object, frames: int, times: object, flags: int, user: int) -> int:
        self.at_ns.append(time.monotonic_ns())
        given = np.ctypeslib.as_array(source, (frames, 3))
        self.blocks.append(given.copy())
        np.ctypeslib.as_array(target, (frames, 2))[:] = 2 * given[:, :2]
        self.flags.append(flags)
        self.users.append(user)
        return 0


@pytest.fixture
def sound() -> np.ndarray:
    return np.random.default_rng(2).standard_normal((10 * BLOCK + 7, 3)).astype(np.float32)


def test_all_frames_pass_in_blocks_and_none_before_it_is_due(sound: np.ndarray) -> None:
    heard, out = Heard(), np.zeros((len(sound), 2), np.float32)
    begun = time.monotonic_ns()
    due = pace(heard.address, 4711, sound, out, BLOCK, FRAME_NS, float(begun), np.zeros(1, np.int64))
    assert [len(block) for block in heard.blocks] == [BLOCK] * 10 + [7]
    np.testing.assert_array_equal(np.concatenate(heard.blocks), sound)
    np.testing.assert_array_equal(out, 2 * sound[:, :2])
    assert set(heard.users) == {4711}
    assert set(heard.flags) == {0}
    assert due == pytest.approx(begun + len(sound) * FRAME_NS, abs=1000)
    for number, at_ns in enumerate(heard.at_ns):
        assert at_ns >= begun + number * BLOCK * FRAME_NS - 1000


def test_what_is_far_too_late_is_told_as_lost_once_and_time_begins_anew(sound: np.ndarray) -> None:
    heard, out = Heard(), np.zeros((len(sound), 2), np.float32)
    late = float(time.monotonic_ns() - 3 * PATIENCE_NS)
    due = pace(heard.address, 0, sound, out, BLOCK, FRAME_NS, late, np.zeros(1, np.int64))
    assert heard.flags[0] == LOST
    assert heard.flags.count(LOST) == 1
    assert due > late + 3 * PATIENCE_NS


def test_after_the_stop_nothing_comes_and_others_run_meanwhile(sound: np.ndarray) -> None:
    """The thread that says so gets on although this one waits: no lock of the interpreter is held."""
    heard, out, stop = Heard(), np.zeros((len(sound), 2), np.float32), np.zeros(1, np.int64)
    threading.Timer(0.1, stop.__setitem__, (0, 1)).start()
    begun = time.monotonic()
    pace(heard.address, 0, sound, out, BLOCK, FRAME_NS, time.monotonic_ns() + 5e8, stop)
    assert heard.blocks == []
    assert time.monotonic() - begun < 5.0
