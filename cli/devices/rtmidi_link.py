"""MIDI through the operating system: ALSA's sequencer, Core MIDI, Windows; by way of python-rtmidi or rtmidi2.

The two libraries wrap the same code; python-rtmidi has no wheels past Python 3.12, rtmidi2 has. JACK is not reached
through them (they bring a copy of its library that need not fit the server): see ``jack_midi``.
"""

import contextlib
import importlib
import os
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Any

#: What both libraries may raise; where a system has no ports of one's own, python-rtmidi adds NotImplementedError.
FAULTS = (RuntimeError, OSError, ValueError)
#: Time between looks for a port that has gone or may go, and for a system that does not answer, in nanoseconds.
LOOK_NS, SYSTEM_LOOK_NS = 50_000_000, 1_000_000_000
#: What the libraries call the system's own MIDI; elsewhere there is none that they know.
SYSTEMS = {"linux": "API_LINUX_ALSA", "darwin": "API_MACOSX_CORE", "win32": "API_WINDOWS_MM"}


class _PythonRtMidi:
    """How python-rtmidi says it."""

    def __init__(self) -> None:
        self._library: Any = importlib.import_module("rtmidi")
        self.faults: tuple[type[Exception], ...] = (self._library.RtMidiError, NotImplementedError, *FAULTS)

    def make(self, kind: str, client: str, system: str) -> Any:
        return getattr(self._library, kind)(getattr(self._library, system), client)

    def names(self, client: Any) -> list[str]:
        return client.get_ports()

    def open(self, client: Any, number: int, port: str) -> None:
        client.open_port(number, port)

    def message(self, client: Any) -> list[int] | None:
        received = client.get_message()
        return None if received is None else received[0]  # and when it came


class _RtMidi2:
    """How rtmidi2 says it."""

    def __init__(self) -> None:
        self._library: Any = importlib.import_module("rtmidi2")
        self.faults: tuple[type[Exception], ...] = FAULTS

    def make(self, kind: str, client: str, system: str) -> Any:
        return getattr(self._library, kind)(client, getattr(self._library, system))

    def names(self, client: Any) -> list[str]:
        return client.ports

    def open(self, client: Any, number: int, port: str) -> None:
        client.open_port(number)  # our end has no name of its own here

    def message(self, client: Any) -> list[int] | None:
        return client.get_message()


def library() -> _PythonRtMidi | _RtMidi2:
    """Return the library that is installed. Raises ImportError if there is none, saying why for each."""
    reasons = []
    for adapter in (_PythonRtMidi, _RtMidi2):
        try:
            return adapter()
        except ImportError as error:
            reasons.append(str(error))
    raise ImportError("; ".join(reasons))


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the MIDI system's own chatter about what is not there off the terminal."""
    sys.stderr.flush()
    kept = os.dup(2)
    silent = os.open(os.devnull, os.O_WRONLY)
    try:
        os.dup2(silent, 2)
        yield
    finally:
        os.dup2(kept, 2)
        os.close(kept)
        os.close(silent)


class RtMidi:
    """One MIDI port of ours. Attributes and methods as of :class:`thumbline.cli.devices.jack_midi.JackMidi`.

    Calls are made where they are called for; none of them waits for another program.
    """

    #: The system forgets who was connected to a port of ours when it goes.
    keeps_connections = False

    def __init__(self, client: str, port: str, *, output: bool):
        self.place = "the operating system"
        self.answers = False
        self.names: tuple[str, ...] = ()
        self.connected: tuple[str, ...] = ()
        self.own_name = ""
        self.own = False  #: our port is one that others connect to
        self._client_name, self._port_name = client, port
        self._kind = "MidiOut" if output else "MidiIn"
        self._client: Any = None
        self._looked_ns = -SYSTEM_LOOK_NS
        self._targets: tuple[str, ...] = ()
        self._library = library()
        self.look(time.monotonic_ns())

    def wait_for_look(self, seconds: float) -> None:
        """Nothing: what is known is known."""

    @property
    def prepared(self) -> bool:
        """Whether there is nothing left to be made ahead of time."""
        return True

    def prepare(self, *, own: bool) -> None:
        """Nothing: there is nothing that takes long."""

    def serve(self, *, own: bool) -> None:
        """Take part; with ``own``, open a port that others connect to, where the system has such ports."""
        if own and self._client is not None and not self.own:
            with contextlib.suppress(*self._library.faults):  # Windows has no ports of one's own
                self._client.open_virtual_port(self._port_name)
                self.own, self.own_name = True, f"{self._client_name}:{self._port_name}"

    @property
    def targets(self) -> tuple[str, ...]:
        """What our port is to be connected to."""
        return self._targets

    def connect(self, targets: Sequence[str]) -> None:
        """Connect our port to the first of these for as long as it is there, and again when it comes back."""
        if tuple(targets) != self._targets:
            self._targets, self.connected = tuple(targets), ()
            self._reconnect()

    @property
    def flows(self) -> bool:
        """Whether messages go anywhere or may come from anywhere."""
        return self.own or bool(self.connected)

    def look(self, now_ns: int) -> None:
        """Look which ports there are now, at most every ``LOOK_NS``."""
        if now_ns - self._looked_ns < (LOOK_NS if self._client is not None else SYSTEM_LOOK_NS):
            return
        self._looked_ns = now_ns
        if self._client is None:
            self._make()
        if self._client is None:
            return
        self.names = self._listed()
        self.connected = tuple(name for name in self.connected if name in self.names)
        self._reconnect()

    def send(self, message: Sequence[int]) -> None:
        """Send one whole message."""
        if self._client is not None:
            self._client.send_message(message)

    def receive(self) -> list[list[int]]:
        """Return the messages that have come since the last call, in order."""
        messages: list[list[int]] = []
        while self._client is not None and (message := self._library.message(self._client)) is not None:
            messages.append(list(message))
        return messages

    def close(self) -> None:
        """Close the port."""
        if self._client is not None:
            self._client.close_port()
            self._client = None
        self.answers, self.connected, self.names = False, (), ()

    def _make(self) -> None:
        if sys.platform not in SYSTEMS:
            return
        with _quiet(), contextlib.suppress(*self._library.faults):  # where the system does not answer
            self._client = self._library.make(self._kind, self._client_name, SYSTEMS[sys.platform])
            self.answers = True

    def _listed(self) -> tuple[str, ...]:
        """Names of the ports that ours can be connected to; none if they change while they are being listed."""
        with contextlib.suppress(*self._library.faults):
            return tuple(self._library.names(self._client))
        return ()

    def _reconnect(self) -> None:
        for target in self._targets[:1]:
            if target in self.names and target not in self.connected:
                with contextlib.suppress(*self._library.faults):  # gone between the look and the opening
                    self._client.close_port()
                    self._library.open(self._client, self.names.index(target), self._port_name)
                    self.connected = (target,)
