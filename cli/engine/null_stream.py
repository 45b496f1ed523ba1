"""A stream without an audio interface: a take is heard in real time, paced by the clock, and what goes out is dropped.

The native callback is called as PortAudio calls it. The take begins when the console says so; if the sound is to be on
from the start, once it is.
"""

import os
import threading
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Protocol

import numpy as np

from thumbline.cli.engine.callback import address, address_of
from thumbline.cli.engine.native_pace import pace
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record

#: The take is read so much ahead at a time, and it is looked so often whether it may begin, in seconds.
READ_S, LOOK_S = 0.1, 0.01


class Stream(Protocol):
    """What the engine knows of a stream."""

    rate: float
    input_latency_s: float
    output_latency_s: float

    def start(self) -> None:
        """Begin to call for blocks."""
        ...

    @property
    def ended(self) -> bool:
        """Whether the stream has come to its end by itself."""
        ...

    def close(self) -> None:
        """End it; may never return if the device's driver hangs."""
        ...


class NullStream:
    """Plays ``setup.take_path`` into the callback in blocks of ``setup.block_frames``.

    ``hear`` is given what comes out, some blocks at a time, float32 (n, outputs), to be copied if it is to be kept.
    Raises InputError if the take cannot be used or has another sample rate than ``setup.rate``.
    """

    input_latency_s = 0.0
    output_latency_s = 0.0

    def __init__(self, live: Record, hear: Callable[[np.ndarray], object] | None = None) -> None:
        from thumbline.dsp.files.takes import open_take

        params = live.params[int(live.request.setting)]
        strings = int(params.strings)
        channels = [int(channel) + 1 for channel in params.channel[:strings]]
        self._take = open_take(Path(os.fsdecode(bytes(live.setup.take_path))), strings, channels)
        self.rate = float(live.setup.rate)
        if self._take.sample_rate != self.rate:
            raise InputError(
                f"{self._take.name} has {self._take.sample_rate} Hz; accepted: the engine's {self.rate:.0f}"
            )
        self._live = live
        self._hear = hear
        self._block = int(live.setup.block_frames)
        self._read = max(round(READ_S * self.rate) // self._block, 1) * self._block
        self._in = np.zeros((self._read, int(live.setup.inputs)), np.float32)
        self._out = np.zeros((self._read, int(live.setup.outputs)), np.float32)
        self._stop = np.zeros(1, np.int64)
        self._thread = threading.Thread(target=self._play, name="null stream", daemon=True)
        live.engine.take_frames = self._take.frames
        live.engine.take_from = -1

    def start(self) -> None:
        """Begin to call for blocks."""
        self._thread.start()

    @property
    def ended(self) -> bool:
        """Whether the take is over."""
        return self._thread.ident is not None and not self._thread.is_alive()

    def close(self) -> None:
        """End it."""
        self._stop[0] = 1
        if self._thread.ident is not None:
            self._thread.join()

    def _play(self) -> None:
        with self._take:
            self._pace()

    def _pace(self) -> None:
        user, frame_ns = address_of(self._live), 1e9 / self.rate
        due = float(time.monotonic_ns())
        for frames in self._parts():
            out = self._out[: len(frames)]
            due = pace(address, user, frames, out, self._block, frame_ns, due, self._stop)
            if self._stop[0]:
                return
            if self._hear is not None:
                self._hear(out)

    def _parts(self) -> Iterator[np.ndarray]:
        """Silence until the take may begin, then the take; the last part may be shorter."""
        request, engine = self._live.request, self._live.engine
        silence = self._in[: max(round(LOOK_S * self.rate) // self._block, 1) * self._block]
        while not request.begin or (request.sound_on and engine.sound < 1.0):
            yield silence
        engine.take_from = engine.frames
        wanted = self._in.shape[1]
        for part in self._take.blocks(self._read):
            heard = self._in[: len(part)]
            heard[:] = part[:, :wanted]
            yield heard
