"""The native callback: its machine code does what its Python says; its clock and its fence are the real ones."""

import ctypes
import time
from pathlib import Path
from typing import Any

import numba
import numpy as np
import pytest
import soundfile

import thumbline.cli.engine.callback as callback
from tests.helpers.places import DEMO
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

RATE, BLOCK = 48_000, 64
FLOATS = ctypes.POINTER(ctypes.c_float)
#: paInputOverflow and paPrimingOutput (portaudio.h): sound was lost; nothing was.
OVERFLOW, PRIMING = 0x2, 0x10


@pytest.fixture
def demo() -> np.ndarray:
    return np.ascontiguousarray(soundfile.read(DEMO, start=RATE, frames=40 * BLOCK, dtype="float32")[0])


def make(path: Path) -> Record:
    live = create(path, [("song", Rig())], rate=RATE, block_frames=BLOCK, routing=make_routing([1], [2]))
    live.engine.rate = RATE
    live.request.sound_on = 1
    live.engine.sound = 1.0
    return live


def test_machine_code_and_python_serve_the_same_blocks(
    tmp_path: Path, demo: np.ndarray, monkeypatch: pytest.MonkeyPatch
) -> None:
    published = []
    monkeypatch.setattr(callback, "_now", time.monotonic_ns)
    monkeypatch.setattr(callback, "_publish", lambda: published.append(True))
    plain: Any = callback.callback.__wrapped__
    native, python = make(tmp_path / "native"), make(tmp_path / "python")
    outs = np.full((2, BLOCK, 2), 9.0, np.float32)
    for number, first in enumerate(range(0, len(demo), BLOCK)):
        block = demo[first : first + BLOCK]
        flags = {5: OVERFLOW, 6: PRIMING}.get(number, 0)
        callback.call(native, block, outs[0], flags)
        user = ctypes.c_void_p(callback.address_of(python))
        source, target = block.ctypes.data_as(FLOATS), outs[1].ctypes.data_as(FLOATS)
        assert plain(source, target, BLOCK, None, flags, user) == callback.CONTINUE
        np.testing.assert_array_equal(outs[0], outs[1])
    assert np.abs(outs).max() > 0.01
    for live in (native, python):
        assert (live.engine.blocks, live.engine.frames, live.engine.missed) == (40, len(demo), 1)
    assert native.engine.events == python.engine.events > 0
    assert len(published) == 40


def test_its_clock_is_the_one_that_python_reads() -> None:
    @numba.njit
    def now() -> int:
        return callback._now()

    now()
    before = time.monotonic_ns()
    read = now()
    assert before <= read <= time.monotonic_ns()


def test_its_fence_is_a_release_fence_between_what_is_written_before_and_after() -> None:
    @numba.njit
    def write(place: np.ndarray) -> None:
        place[0] = 1
        callback._publish()
        place[1] = 2

    place = np.zeros(2, np.int64)
    write(place)
    assert place.tolist() == [1, 2]
    (code,) = write.inspect_llvm().values()
    assert "fence release" in code
