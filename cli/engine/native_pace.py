"""Blocks handed to the native callback in real time, without Python in between: a stand-in for a device's clock.

Python would need a third of a processor for 750 blocks per second; most of it goes into waking up.
"""

import ctypes
from typing import Any, cast

import numba
import numpy as np
from llvmlite import ir
from numba import types
from numba.core import cgutils
from numba.extending import intrinsic

from thumbline.cli.engine.callback import LOST, clock_ns

#: A block that comes later than this is reported as lost, as a device would, and the clock starts anew.
PATIENCE_NS = 100_000_000


@intrinsic
def sleep_ns(typingctx: Any, duration: Any) -> Any:
    """Sleep for so many nanoseconds without Python: the C library's ``nanosleep``."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        time_t, second = ir.IntType(64), ir.IntType(64)(1_000_000_000)
        timespec = ir.ArrayType(time_t, 2)
        kind = ir.FunctionType(ir.IntType(32), [timespec.as_pointer(), timespec.as_pointer()])
        place = cgutils.alloca_once(builder, timespec)
        parts = (builder.sdiv(arguments[0], second), builder.srem(arguments[0], second))
        for index, part in enumerate(parts):
            builder.store(part, builder.gep(place, [ir.IntType(32)(0), ir.IntType(32)(index)]))
        function = cgutils.get_or_insert_function(builder.module, kind, "nanosleep")
        builder.call(function, [place, ir.Constant(timespec.as_pointer(), None)])
        return context.get_dummy_value()

    return types.void(types.int64), generate


@intrinsic
def call_at(typingctx: Any, address: Any, source: Any, target: Any, frames: Any, flags: Any, user: Any) -> Any:
    """Call the stream callback at an address, as PortAudio does (``PaStreamCallback``, without times)."""
    ulong = ir.IntType(8 * ctypes.sizeof(ctypes.c_ulong))

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        pointer = ir.IntType(8).as_pointer()
        kind = ir.FunctionType(ir.IntType(32), [pointer, pointer, ulong, pointer, ulong, pointer])
        address, source, target, frames, flags, user = arguments
        function = builder.inttoptr(address, kind.as_pointer())
        counts = [value if ulong.width == 64 else builder.trunc(value, ulong) for value in (frames, flags)]
        places = [builder.inttoptr(value, pointer) for value in (source, target, user)]
        builder.call(function, [places[0], places[1], counts[0], ir.Constant(pointer, None), counts[1], places[2]])
        return context.get_dummy_value()

    return types.void(*[types.int64] * 6), generate


_now, _sleep, _call = cast(Any, clock_ns), cast(Any, sleep_ns), cast(Any, call_at)


@numba.njit(
    types.float64(
        types.int64,
        types.int64,
        types.Array(types.float32, 2, "C"),
        types.Array(types.float32, 2, "C"),
        types.int64,
        types.float64,
        types.float64,
        types.Array(types.int64, 1, "C"),
    ),
    cache=True,
    nogil=True,
    error_model="numpy",
)
def pace(
    callback: int,
    user: int,
    frames_in: np.ndarray,
    frames_out: np.ndarray,
    block: int,
    frame_ns: float,
    due_ns: float,
    stop: np.ndarray,
) -> float:
    """Hand frames to the callback at the address ``callback``, ``block`` at a time, each when it is due.

    Parameters
    ----------
    callback, user
        Addresses of the callback and of its user data.
    frames_in, frames_out
        float32 (n, inputs) and (n, outputs), the second overwritten. The last block may be shorter.
    frame_ns
        How long a frame lasts.
    due_ns
        When the first block is due, by the clock of ``time.monotonic_ns``; returned is when the next one will be.
    stop
        int64 (1,): as soon as it holds something else than 0 no more blocks are handed over.
    """
    first = 0
    while first < len(frames_in) and stop[0] == 0:
        frames = min(block, len(frames_in) - first)
        wait = due_ns - _now()
        flags = 0
        if wait > 0.0:
            _sleep(int(wait))
        elif wait < -PATIENCE_NS:
            flags, due_ns = LOST, float(_now())
        if stop[0] != 0:
            break
        due_ns += frames * frame_ns
        source, target = frames_in[first:], frames_out[first:]
        _call(callback, source.ctypes.data, target.ctypes.data, frames, flags, user)
        first += frames
    return due_ns
