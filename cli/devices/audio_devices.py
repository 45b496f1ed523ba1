"""The audio devices of this computer: listed, found by name or number, and asked what they can do.

All of it goes through PortAudio, by way of sounddevice, which is imported where it is needed: everything else works
without that library.
"""

import ctypes
import sys
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from typing import Any, Literal

from thumbline.cli.devices.pipewire import keep_channels_apart
from thumbline.dsp.errors import InputError

#: Said when the system's PortAudio library is missing.
INSTALL = (
    "PortAudio, the library that sound devices are reached through, is not installed: "
    "on Debian and Ubuntu `sudo apt install libportaudio2`, on Fedora `sudo dnf install portaudio`, "
    "on Arch `sudo pacman -S portaudio`, on macOS `brew install portaudio`; "
    "on Windows `py -m pip install --force-reinstall sounddevice`, which brings it along"
)
#: Rates that a device is asked about, in frames per second.
RATES = (44100, 48000, 88200, 96000, 176400, 192000)
#: What the program is called among a JACK server's clients. PortAudio keeps the pointer, so the bytes must stay.
CLIENT = ctypes.create_string_buffer(b"thumbline")
#: A latency beyond this is no latency, in seconds: JACK clients are listed with some of 25 hours.
LONGEST_LATENCY_S = 1.0

Kind = Literal["input", "output"]


@dataclass(frozen=True)
class Device:
    """One audio device, as PortAudio describes it."""

    index: int
    name: str
    host: str  #: the sound system through which it is reached
    inputs: int  #: channels
    outputs: int
    rate: float  #: its own, frames per second
    input_latency_s: float  #: as the device says, for interactive use; 0 if it does not
    output_latency_s: float
    default_input: bool
    default_output: bool

    @property
    def full_name(self) -> str:
        """Name and sound system, which together tell it from the same device seen another way."""
        return f"{self.name}, {self.host}"

    def channels(self, kind: Kind) -> int:
        """Return how many channels it has."""
        return self.inputs if kind == "input" else self.outputs


def sound_library() -> Any:
    """Return the module sounddevice, ready for use. Raises InputError without PortAudio: what to install."""
    _name_jack_client()
    keep_channels_apart()
    try:
        import sounddevice
    except OSError as error:
        raise InputError(INSTALL) from error
    except ImportError as error:
        raise InputError("the Python package sounddevice is not installed: `pip install sounddevice`") from error
    return sounddevice


def _name_jack_client() -> None:
    """Set the name that a JACK server shows; only before PortAudio is first used, and only if it knows JACK."""
    if "sounddevice" in sys.modules:  # its import begins with the use
        return
    from ctypes.util import find_library

    with suppress(OSError, AttributeError, TypeError):
        ctypes.CDLL(find_library("portaudio")).PaJack_SetClientName(CLIENT)


def known_latency_s(said: float) -> float:
    """Return a latency that a device reports, in seconds; 0, not known, if it cannot be one."""
    return said if 0.0 <= said <= LONGEST_LATENCY_S else 0.0


def list_devices() -> list[Device]:
    """Return all devices, in PortAudio's order. Raises InputError without PortAudio."""
    sounddevice = sound_library()
    hosts = sounddevice.query_hostapis()
    default_input, default_output = sounddevice.default.device
    return [
        Device(
            index=each["index"],
            name=each["name"],
            host=hosts[each["hostapi"]]["name"],
            inputs=each["max_input_channels"],
            outputs=each["max_output_channels"],
            rate=each["default_samplerate"],
            input_latency_s=known_latency_s(each["default_low_input_latency"]),
            output_latency_s=known_latency_s(each["default_low_output_latency"]),
            default_input=each["index"] == default_input,
            default_output=each["index"] == default_output,
        )
        for each in sounddevice.query_devices()
    ]


def find_device(wanted: str, kind: Kind, devices: Sequence[Device] | None = None) -> Device:
    """Return the device that ``wanted`` names and that has channels of this kind.

    ``wanted`` is a number from the list, a name, a name with its sound system ("name, host"), or a part of either in
    capitals or not; empty is the system's default. A name that stands alone counts before a part of a longer one.
    Raises InputError if none or several are meant, saying what there is.
    """
    devices = list_devices() if devices is None else devices
    usable = [device for device in devices if device.channels(kind) > 0]
    if not usable:
        raise InputError(f"no audio device has {kind}s; is the interface plugged in and switched on?")
    text = wanted.strip()
    if not text:
        defaults = [each for each in usable if (each.default_input if kind == "input" else each.default_output)]
        return defaults[0] if defaults else usable[0]
    if text.isdecimal():
        found = [device for device in usable if device.index == int(text)]
    else:
        low = text.lower()
        found = [device for device in usable if low in (device.name.lower(), device.full_name.lower())]
        found = found or [device for device in usable if low in device.full_name.lower()]
    if len(found) == 1:
        return found[0]
    said = "; ".join(f"{device.index}: {device.full_name}" for device in (found or usable))
    problem = "means several devices" if found else "is not there"
    raise InputError(f'{kind} device "{text}" {problem}; accepted: {said}')


def preflight(source: Device, target: Device, inputs: int, outputs: int, rate: int) -> None:
    """Raise InputError, saying what the devices have, unless they have these channels at this rate and go together."""
    if source.host != target.host:
        raise InputError(
            f"input {source.full_name} and output {target.full_name} belong to two sound systems; "
            "accepted: both of the same one"
        )
    sides: tuple[tuple[Device, Kind, int], ...] = ((source, "input", inputs), (target, "output", outputs))
    for device, kind, channels in sides:
        if channels > device.channels(kind):
            raise InputError(
                f"{device.full_name} has {device.channels(kind)} {kind}s, but the rig uses {kind} {channels}; "
                f"accepted: 1 to {device.channels(kind)}"
            )
        if not _can(device, kind, channels, rate):
            able = [str(each) for each in RATES if _can(device, kind, channels, each)]
            has = ", ".join(able) if able else "none of the usual rates; another program may be using it"
            raise InputError(f"{device.full_name} cannot do {rate} Hz with {channels} {kind}s; it can do: {has}")


def _can(device: Device, kind: Kind, channels: int, rate: int) -> bool:
    sounddevice = sound_library()
    check = sounddevice.check_input_settings if kind == "input" else sounddevice.check_output_settings
    try:
        check(device=device.index, channels=channels, dtype="float32", samplerate=rate)
    except (sounddevice.PortAudioError, ValueError):
        return False
    return True
