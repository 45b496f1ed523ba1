"""Sound in and out of an interface for setting up: levels, a test tone, a round trip, a recording. Not for the stage.

Blocks pass through queues in Python here; what is lost is counted. Raises InputError for what cannot be opened.
"""

from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from queue import Empty, SimpleQueue
from typing import Any

import numpy as np
from numpy.typing import NDArray

from thumbline.cli.devices.audio_devices import Device, find_device, preflight, sound_library
from thumbline.dsp.errors import InputError

#: A device that gives nothing for this long has died, in seconds.
SILENT_S = 3.0


@dataclass
class Recording:
    """Blocks as they come in, float64 (n, channels); ``lost`` counts reports of lost input."""

    rate: int
    device: Device
    lost: int = 0
    _queue: SimpleQueue[NDArray[np.float64]] = field(default_factory=SimpleQueue)

    def put(self, frames: Any, lost: bool) -> None:
        """Take a block from the device."""
        self.lost += lost
        self._queue.put(np.array(frames, np.float64))

    def blocks(self) -> Iterator[NDArray[np.float64]]:
        """Yield blocks for as long as they come."""
        while True:
            try:
                yield self._queue.get(timeout=SILENT_S)
            except Empty:
                raise InputError(
                    f"{self.device.full_name} gives no sound any more; is it still plugged in and switched on?"
                ) from None


@contextmanager
def record(device: str, channels: int, rate: int) -> Iterator[Recording]:
    """Record the first ``channels`` inputs of a device, by name or number, until the context ends."""
    sounddevice = sound_library()
    source = find_device(device, "input")
    _check(source, channels, rate, "input")
    recording = Recording(rate, source)

    def take(frames: Any, count: int, time: Any, status: Any) -> None:
        recording.put(frames, bool(status.input_overflow))

    try:
        with sounddevice.InputStream(
            device=source.index, channels=channels, samplerate=rate, dtype="float32", callback=take
        ):
            yield recording
    except sounddevice.PortAudioError as error:
        raise InputError(f"{source.full_name} cannot be opened: {error.args[0]}") from error


def play(device: str, output: int, sound: NDArray[np.float64], rate: int) -> Device:
    """Play ``sound``, shape (n,), on one output (from 1) of a device and wait for its end; other outputs are silent.

    An interruption stops it at once.
    """
    sounddevice = sound_library()
    target = find_device(device, "output")
    _check(target, output, rate, "output")
    try:
        sounddevice.play(_on_output(sound, output), rate, device=target.index, blocking=True)
    except sounddevice.PortAudioError as error:
        raise InputError(f"{target.full_name} cannot be opened: {error.args[0]}") from error
    finally:
        sounddevice.stop()
    return target


def play_and_record(
    devices: tuple[str, str], channels: tuple[int, int], sound: NDArray[np.float64], rate: int, block: int
) -> NDArray[np.float64]:
    """Play ``sound``, shape (n,), on an output and return what came in on an input meanwhile, frame for frame.

    ``devices`` and ``channels`` (from 1) are those of input and output; ``block`` is the frames passed at a time.
    """
    sounddevice = sound_library()
    source, target = find_device(devices[0], "input"), find_device(devices[1], "output")
    preflight(source, target, *channels, rate)
    try:
        heard = sounddevice.playrec(
            _on_output(sound, channels[1]),
            rate,
            channels=channels[0],
            device=(source.index, target.index),
            dtype="float32",
            blocksize=block,
            latency="low",
            blocking=True,
        )
    except sounddevice.PortAudioError as error:
        raise InputError(f"{source.full_name} and {target.full_name} cannot be opened: {error.args[0]}") from error
    finally:
        sounddevice.stop()
    return np.asarray(heard[:, channels[0] - 1], np.float64)


def _on_output(sound: NDArray[np.float64], output: int) -> NDArray[np.float32]:
    frames = np.zeros((len(sound), output), np.float32)
    frames[:, output - 1] = sound
    return frames


def _check(device: Device, channels: int, rate: int, kind: Any) -> None:
    if not 1 <= channels <= device.channels(kind):
        raise InputError(
            f"{kind} is {channels}, but {device.full_name} has {device.channels(kind)}; "
            f"accepted: 1 to {device.channels(kind)}"
        )
    sounddevice = sound_library()
    check = sounddevice.check_input_settings if kind == "input" else sounddevice.check_output_settings
    try:
        check(device=device.index, channels=channels, dtype="float32", samplerate=rate)
    except (sounddevice.PortAudioError, ValueError) as error:
        raise InputError(f"{device.full_name} cannot do {rate} Hz with {channels} {kind}s: {error}") from error
