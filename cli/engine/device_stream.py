"""A stream through an audio interface: PortAudio calls the native callback, and no Python runs in between."""

from thumbline.cli.devices.audio_devices import find_device, known_latency_s, preflight, sound_library
from thumbline.cli.engine.callback import address_of, callback
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record


class DeviceStream:
    """A stream from ``setup.input`` to ``setup.output``, opened but not started.

    Raises InputError if a device is not there or cannot do what the setup asks, saying what there is.
    """

    def __init__(self, live: Record) -> None:
        sounddevice = sound_library()
        setup = live.setup
        inputs, outputs = int(setup.inputs), int(setup.outputs)
        rate, block = int(setup.rate), int(setup.block_frames)
        source = find_device(bytes(setup.input).decode(), "input")
        target = find_device(bytes(setup.output).decode(), "output")
        preflight(source, target, inputs, outputs, rate)
        ffi = sounddevice._ffi
        try:
            self._stream = sounddevice._StreamBase(
                "duplex",
                samplerate=rate,
                blocksize=block,
                device=(source.index, target.index),
                channels=(inputs, outputs),
                dtype="float32",
                latency="low",
                callback=ffi.cast("PaStreamCallback *", callback.address),
                userdata=ffi.cast("void *", address_of(live)),
                wrap_callback=None,
                clip_off=True,
                dither_off=True,
            )
        except sounddevice.PortAudioError as error:
            raise InputError(
                f"{source.full_name} and {target.full_name} cannot be opened with blocks of {block} frames "
                f"at {rate} Hz ({error.args[0]}); try a larger block, and see that no other program uses the interface"
            ) from error
        self._live = live  # the callback writes there as long as the stream lives
        self.rate = float(self._stream.samplerate)
        self.input_latency_s, self.output_latency_s = map(known_latency_s, self._stream.latency)

    def start(self) -> None:
        """Begin to call for blocks."""
        self._stream.start()

    @property
    def ended(self) -> bool:
        """Whether the device has stopped by itself."""
        return not self._stream.active

    def close(self) -> None:
        """End it; may never return if the device has died."""
        self._stream.abort()
        self._stream.close()
