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

from thumbline.cli.live_callback import LOST, call
from thumbline.dsp.errors import InputError
from thumbline.dsp.records import Record

#: A block that comes later than this is reported as lost, as a device would, and the clock starts anew, in seconds.
PATIENCE_S = 0.1


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

    ``hear`` is given each block that comes out, float32 (n, outputs), to be copied if it is to be kept. Raises
    InputError if the take cannot be used or has another sample rate than ``setup.rate``.
    """

    input_latency_s = 0.0
    output_latency_s = 0.0

    def __init__(self, live: Record, hear: Callable[[np.ndarray], object] | None = None) -> None:
        from thumbline.dsp.takes import open_take

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
        self._in = np.zeros((int(live.setup.block_frames), int(live.setup.inputs)), np.float32)
        self._out = np.zeros((len(self._in), int(live.setup.outputs)), np.float32)
        self._stop = threading.Event()
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
        self._stop.set()
        if self._thread.ident is not None:
            self._thread.join()

    def _play(self) -> None:
        with self._take:
            self._pace()

    def _pace(self) -> None:
        due = time.perf_counter()
        for block in self._blocks():
            wait = due - time.perf_counter()
            if wait > 0.0:
                time.sleep(wait)
            flags = 0
            if wait < -PATIENCE_S:
                flags, due = LOST, time.perf_counter()
            if self._stop.is_set():
                return
            due += len(block) / self.rate
            out = self._out[: len(block)]
            call(self._live, block, out, flags)
            if self._hear is not None:
                self._hear(out)

    def _blocks(self) -> Iterator[np.ndarray]:
        """Silence until the take may begin, then the take; the last block may be shorter."""
        request = self._live.request
        while not request.begin or (request.sound_on and self._live.engine.sound < 1.0):
            yield self._in
        self._live.engine.take_from = self._live.engine.frames
        wanted = self._in.shape[1]
        for block in self._take.blocks(len(self._in)):
            heard = self._in[: len(block)]
            heard[:] = block[:, :wanted]
            yield heard
