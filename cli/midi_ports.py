"""MIDI ports by name: found, opened, watched as they vanish and return, and opened anew.

Ports are looked for in every MIDI system of the computer that answers (ALSA and JACK on Linux; JACK is never started).
A name is that of a port of another program or device, or a part of it that no other port has; without a name a port of
our own is opened, that others connect to.

A call into a JACK server that has died may never return and holds the interpreter lock meanwhile: who sends must live
in a process that another one watches.
"""

import contextlib
import os
import sys
import time
from collections.abc import Iterator, Sequence
from typing import Any

from thumbline.dsp.errors import InputError

#: Begins the names of our own ports under JACK, which are never offered as somebody else's.
CLIENT = "thumbline"
#: Time between looks for a port that has gone or may go, in nanoseconds. One look under JACK takes 0.1 ms.
LOOK_NS = 50_000_000
#: What is said where a port is wanted and there can be none.
NO_SYSTEM = "no MIDI system answers here; start JACK, or load the system's MIDI driver (snd-seq on Linux)"
#: The same for MIDI systems, while none answers.
SYSTEM_LOOK_NS = 1_000_000_000


@contextlib.contextmanager
def _quiet() -> Iterator[None]:
    """Keep the MIDI systems' own chatter about what is not there off the terminal."""
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


def _library() -> Any:
    """The MIDI library, which has no type hints; loaded when first needed."""
    import rtmidi

    return rtmidi


def no_library() -> str:
    """Return why there is no MIDI at all on this computer, in one line; "" if the library can be loaded."""
    try:
        _library()
    except ImportError as error:
        return f"there is no MIDI: python-rtmidi cannot be loaded ({error}); everything else works"
    return ""


def no_midi() -> str:
    """Return why no port can be had where none is: no library, or no MIDI system that answers."""
    return no_library() or NO_SYSTEM


def _opened(kind: str, client: str) -> list[Any]:
    """A client in each MIDI system that answers; ``kind`` is MidiOut or MidiIn."""
    if no_library():
        return []
    rtmidi = _library()
    clients = []
    with _quiet():
        for system in rtmidi.get_compiled_api():
            # Where a system does not answer.
            with contextlib.suppress(rtmidi.RtMidiError):
                clients.append(getattr(rtmidi, kind)(system, name=client))
    return clients


def _names(client: Any) -> list[str]:
    """Names of the ports that a client can connect to; none if they change while they are being listed."""
    with contextlib.suppress(_library().RtMidiError):
        return client.get_ports()
    return []


def _foreign(names: Sequence[str]) -> list[str]:
    return [name for name in names if not name.startswith(CLIENT)]


def output_names() -> list[str]:
    """Names of the ports that messages can be sent to."""
    return [name for client in _opened("MidiOut", f"{CLIENT}-look") for name in _foreign(_names(client))]


def input_names() -> list[str]:
    """Names of the ports that messages can be heard from."""
    return [name for client in _opened("MidiIn", f"{CLIENT}-look") for name in _foreign(_names(client))]


def matching(wanted: str, names: Sequence[str]) -> list[int]:
    """Places in ``names`` of the port meant: the one so called, or all that the name is a part of (any case)."""
    exact = [place for place, name in enumerate(names) if name == wanted]
    if exact:
        return exact[:1]  # two devices of one kind may bear one name; the first is as good a guess as any
    return [place for place, name in enumerate(names) if wanted.casefold() in name.casefold()]


class _Port:
    """What the ports of both directions share."""

    KIND = ""

    def __init__(self, wanted: str, client: str, port: str):
        self.wanted = wanted
        self.name = ""  #: full name of what it is connected to; of our own port, if it has no other
        self.present = False
        self._client_name, self._port = client, port
        self._clients = _opened(self.KIND, client)
        self._client: Any = None
        self._looked_ns = 0

    def open(self, *, wait: bool = False) -> None:
        """Connect to the port that is wanted, or open our own.

        Raises InputError if it is not there or the name could mean several, unless ``wait``: :meth:`look` then
        connects when it comes.
        """
        if not self._clients:
            if self.wanted and not wait:  # a computer without MIDI can still play
                raise InputError(f"MIDI port is {self.wanted!r}, but {no_midi()}")
        elif not self.wanted:
            self._open_own()
        elif not self._connect() and not wait:
            raise InputError(f"MIDI port is {self.wanted!r}; {self._choices()}")

    def _open_own(self) -> None:
        self._client = self._clients[0]
        try:
            self._client.open_virtual_port(self._port)
        except (NotImplementedError, _library().RtMidiError):  # Windows has no ports of one's own
            self._client = None
            return
        self.name, self.present = f"{self._client_name}:{self._port}", True

    def _choices(self) -> str:
        names = [name for client in self._clients for name in _foreign(_names(client))]
        near = [names[place] for place in matching(self.wanted, names)]
        if len(near) > 1:
            return f"accepted: a name that only one port has; it is part of {_listed(near)}"
        return f"accepted: {_listed(names) if names else 'none is there; connect the device first'}"

    def _find(self) -> tuple[Any, int, str] | None:
        """The client and number of the port meant, and its name; None unless it is exactly one."""
        found: list[tuple[Any, int, str]] = []
        for client in self._clients:
            names = _names(client)
            offered = [(number, name) for number, name in enumerate(names) if not name.startswith(CLIENT)]
            places = matching(self.name or self.wanted, [name for _, name in offered])
            found += [(client, *offered[place]) for place in places]
        exact = [each for each in found if each[2] == (self.name or self.wanted)]
        found = exact[:1] or found
        return found[0] if len(found) == 1 else None

    def _connect(self) -> bool:
        found = self._find()
        if found is None:
            return False
        client, number, name = found
        if client.is_port_open():
            client.close_port()
        try:
            client.open_port(number, self._port)
        except _library().RtMidiError:  # gone between the look and the opening
            return False
        self._client, self.name, self.present = client, name, True
        return True

    def look(self, now_ns: int | None = None) -> bool:
        """Look whether the port is there, at most every ``LOOK_NS``; True if it has just come back."""
        now_ns = time.monotonic_ns() if now_ns is None else now_ns
        if now_ns - self._looked_ns < (LOOK_NS if self._clients else SYSTEM_LOOK_NS):
            return False
        self._looked_ns = now_ns
        if not self._clients:
            self._clients = _opened(self.KIND, self._client_name)
            if self._clients and not self.wanted:
                self._open_own()
                return self.present
        if not self.wanted:
            return False
        was, self.present = self.present, self._find() is not None
        return self.present and not was and self._connect()

    def close(self) -> None:
        """Close the port; the object is of no more use."""
        for client in self._clients:
            client.close_port()
            client.delete()
        self._clients, self._client, self.present = [], None, False


class OutputPort(_Port):
    """Where messages go. Made in one step and opened in another, as the first may take long.

    Args:
        wanted: a port's name or part of it, or "" for a port of our own (none on Windows: messages then go nowhere).
        client: what other programs see as our name.
        port: the name of our end.
    """

    KIND = "MidiOut"

    def __init__(self, wanted: str, client: str = f"{CLIENT}-mutes", port: str = "out"):
        super().__init__(wanted, client, port)

    def send(self, message: Sequence[int]) -> bool:
        """Send one whole message; nothing happens while the port is not there, and False is returned."""
        if self._client is None or not self.present:
            return False
        self._client.send_message(message)
        return True


class InputPort(_Port):
    """Where messages come from; clock and active sensing are left out. Arguments as for :class:`OutputPort`."""

    KIND = "MidiIn"

    def __init__(self, wanted: str, client: str = f"{CLIENT}-feet", port: str = "in"):
        super().__init__(wanted, client, port)

    def receive(self) -> list[list[int]]:
        """Return the messages that have come since the last call, in order."""
        messages: list[list[int]] = []
        while self._client is not None and (received := self._client.get_message()) is not None:
            messages.append(received[0])
        return messages


def _listed(names: Sequence[str]) -> str:
    return ", ".join(repr(name) for name in names)
