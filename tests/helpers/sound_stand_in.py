"""Stands in for the library that sound devices are reached through: one interface, with a cable from out 1 to in 1."""

import threading
import time
from collections.abc import Callable
from types import SimpleNamespace
from typing import Any, Self

import numpy as np

#: Frames from the output to the input.
DELAY = 300
INPUTS, OUTPUTS, BLOCK = 6, 2, 480


class PortAudioError(Exception):
    """What the library raises."""


class Sound:
    """The library's part that the program uses; ``refuses`` are its functions that raise PortAudioError.

    Parameters
    ----------
    heard
        Frames (n, 6), what comes in; then silence, for ever or, if ``ends``, nothing more.
    gain
        Of the cable.
    refuses
        Names of what cannot be opened.
    """

    PortAudioError = PortAudioError
    default = SimpleNamespace(device=(0, 0))

    def __init__(self, heard: np.ndarray | None = None, *, gain: float = -0.5, ends: bool = False, refuses: str = ""):
        self.heard = np.zeros((0, INPUTS)) if heard is None else heard
        self.gain, self.ends, self.refuses = gain, ends, refuses
        self.played: list[np.ndarray] = []
        self.overflow = False

    def query_hostapis(self) -> list[dict[str, Any]]:
        return [{"name": "Stand-in"}]

    def query_devices(self) -> list[dict[str, Any]]:
        return [
            {
                "index": 0,
                "name": "Fjord 6",
                "hostapi": 0,
                "max_input_channels": INPUTS,
                "max_output_channels": OUTPUTS,
                "default_samplerate": 48000.0,
                "default_low_input_latency": 0.005,
                "default_low_output_latency": 0.005,
            }
        ]

    def _ask(self, name: str) -> None:
        if name in self.refuses:
            raise PortAudioError("Device unavailable")

    def check_input_settings(self, **_: Any) -> None:
        self._ask("input settings")

    def check_output_settings(self, **_: Any) -> None:
        self._ask("output settings")

    def play(self, sound: np.ndarray, rate: int, **_: Any) -> None:
        self._ask("playing")
        self.played.append(sound)

    def playrec(self, sound: np.ndarray, rate: int, *, channels: int, **_: Any) -> np.ndarray:
        self._ask("both ways")
        came = np.zeros((len(sound), channels), np.float32)
        came[DELAY:, 0] = self.gain * sound[:-DELAY, 0]
        return came

    def stop(self) -> None:
        pass

    def InputStream(self, *, channels: int, callback: Callable[..., None], **_: Any) -> "Stream":  # noqa: N802
        self._ask("input stream")
        return Stream(self, channels, callback)


class Stream:
    """Calls for what is heard block by block, much faster than it would be played, from a thread of its own."""

    def __init__(self, sound: Sound, channels: int, callback: Callable[..., None]):
        self._sound, self._channels, self._callback = sound, channels, callback
        self._open = threading.Event()
        self._thread = threading.Thread(target=self._run, daemon=True)

    def __enter__(self) -> Self:
        self._open.set()
        self._thread.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._open.clear()
        self._thread.join()

    def _run(self) -> None:
        heard = self._sound.heard
        first = 0
        while self._open.is_set() and (first < len(heard) or not self._sound.ends):
            block = np.zeros((BLOCK, self._channels), np.float32)
            part = heard[first : first + BLOCK, : self._channels]
            block[: len(part)] = part
            self._callback(block, BLOCK, None, SimpleNamespace(input_overflow=self._sound.overflow))
            self._sound.overflow = False
            first += BLOCK
            time.sleep(0.0005)
