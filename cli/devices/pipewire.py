"""PipeWire, the sound server of today's Linux desktops: whether it runs, and how all channels pass through it.

Its device for ALSA programs is called "pipewire" and offers every channel count, whatever the interface has: it mixes
what it is given to what it is asked for, so that strings reach the program mixed together.
"""

import os
import socket
from collections.abc import Iterable
from contextlib import suppress
from pathlib import Path
from typing import TYPE_CHECKING

if TYPE_CHECKING:
    from thumbline.cli.devices.audio_devices import Device

#: Properties of its streams for ALSA programs, in the variable that its ALSA plug-in reads: channels are never mixed.
VARIABLE, NEVER_MIX = "PIPEWIRE_ALSA", "{ stream.dont-remix=true }"
#: PortAudio's name for JACK, by way of which PipeWire shows interfaces by their names and with their channels.
JACK = "JACK Audio Connection Kit"
ADVICE = (
    "PipeWire runs: start with pw-jack, as in `pw-jack thumbline ports`, to see each interface by its name and with "
    "all its channels (on Debian and Ubuntu `sudo apt install pipewire-jack`)"
)
#: What makes its period smaller.
SMALLER = "pw-metadata -n settings 0 clock.force-quantum {frames}"


def keep_channels_apart() -> None:
    """Have PipeWire hand over channels as they are. Only before PortAudio opens a device; the user's own word stays."""
    os.environ.setdefault(VARIABLE, NEVER_MIX)


def is_running() -> bool:
    """Whether PipeWire answers on its socket."""
    folder = os.environ.get("PIPEWIRE_RUNTIME_DIR") or os.environ.get("XDG_RUNTIME_DIR")
    if not folder or not hasattr(socket, "AF_UNIX"):
        return False
    path = Path(folder) / os.environ.get("PIPEWIRE_REMOTE", "pipewire-0")
    with suppress(OSError), socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as asked:
        asked.settimeout(1.0)
        asked.connect(str(path))
        return True
    return False


def advice(devices: Iterable["Device"]) -> str:
    """Return how to reach all channels; "" where PipeWire does not run, or its interfaces are listed already."""
    if any(device.host == JACK for device in devices) or not is_running():
        return ""
    return ADVICE
