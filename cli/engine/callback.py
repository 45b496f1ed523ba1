"""The native callback of the audio stream: PortAudio calls it, and no Python runs in it.

``callback`` has PortAudio's signature ``PaStreamCallback``; its user data is the address of a record of dtype ``LIVE``
whose arrays lie in shared memory. While it runs it neither takes the interpreter's lock, nor allocates, nor waits.
"""

import ctypes
import sys
from typing import Any, cast

import numba
import numpy as np
from llvmlite import ir
from numba import (
    carray,  # pyright: ignore[reportPrivateImportUsage]  it is documented
    types,
)
from numba.core import cgutils
from numba.extending import intrinsic

from thumbline.dsp.live.block import count_block, serve
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record

#: What PortAudio's callback returns to go on (portaudio.h, PaStreamCallbackResult).
CONTINUE = 0
#: Input or output was lost: underflow and overflow of either (portaudio.h, PaStreamCallbackFlags).
LOST = 0x1 | 0x2 | 0x4 | 0x8

#: The clock that Python's ``time.monotonic_ns`` reads: CLOCK_MONOTONIC, on macOS CLOCK_UPTIME_RAW (time.h).
CLOCK = 8 if sys.platform == "darwin" else 1

_ulong = types.uint32 if ctypes.sizeof(ctypes.c_ulong) == 4 else types.uint64


@intrinsic
def clock_ns(typingctx: Any) -> Any:
    """Return ``time.monotonic_ns()`` without Python: the C library's ``clock_gettime``."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        time_t = ir.IntType(64)
        timespec = ir.ArrayType(time_t, 2)
        function = cgutils.get_or_insert_function(
            builder.module,
            ir.FunctionType(ir.IntType(32), [ir.IntType(32), timespec.as_pointer()]),
            "clock_gettime",
        )
        place = cgutils.alloca_once(builder, timespec)
        builder.call(function, [ir.IntType(32)(CLOCK), place])
        time = builder.load(place)
        seconds, nanoseconds = builder.extract_value(time, 0), builder.extract_value(time, 1)
        return builder.add(builder.mul(seconds, time_t(1_000_000_000)), nanoseconds)

    return types.int64(), generate


@intrinsic
def fence(typingctx: Any) -> Any:
    """Let other processes see what has been written so far before anything that is written after."""

    def generate(context: Any, builder: Any, signature: Any, arguments: Any) -> Any:
        builder.fence("release")
        return context.get_dummy_value()

    return types.void(), generate


#: The two by the names and types that they have when called from compiled code.
_now, _publish = cast(Any, clock_ns), cast(Any, fence)


@numba.cfunc(
    types.int32(
        types.CPointer(types.float32), types.CPointer(types.float32), _ulong, types.voidptr, _ulong, types.voidptr
    ),
    cache=True,
    error_model="numpy",
)
def callback(source: Any, target: Any, frame_count: int, times: Any, flags: int, user: Any) -> int:
    """Serve one block: ``frame_count`` frames of ``setup.inputs`` channels in, of ``setup.outputs`` channels out."""
    begun = _now()
    live = carray(user, 1, LIVE)[0]
    frames = int(frame_count)
    frames_in = carray(source, (frames, live.setup.inputs))
    frames_out = carray(target, (frames, live.setup.outputs))
    serve(live, frames_in, frames_out)
    _publish()
    count_block(live, frames, begun, _now(), (flags & LOST) != 0)
    return CONTINUE


#: Where its machine code lies.
address: int = cast(Any, callback).address
#: For callers from Python: the callback by PortAudio's signature in ctypes.
_callback = ctypes.CFUNCTYPE(
    ctypes.c_int,
    ctypes.c_void_p,
    ctypes.c_void_p,
    ctypes.c_ulong,
    ctypes.c_void_p,
    ctypes.c_ulong,
    ctypes.c_void_p,
)(address)


def address_of(live: Record) -> int:
    """Return where a record of dtype ``LIVE`` lies."""
    return int(np.asarray(live).ctypes.data)  # its array interface would describe every field first


def call(live: Record, frames_in: np.ndarray, frames_out: np.ndarray, flags: int = 0) -> None:
    """Call the native callback as PortAudio does: C-contiguous float32, (n, inputs) and (n, outputs)."""
    assert frames_in.dtype == frames_out.dtype == np.float32
    assert frames_in.flags.c_contiguous
    assert frames_out.flags.c_contiguous
    _callback(frames_in.ctypes.data, frames_out.ctypes.data, len(frames_in), None, flags, address_of(live))
