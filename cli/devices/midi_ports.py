"""MIDI ports by name: found, opened, watched as they vanish and return, and opened anew.

Ports are looked for in every MIDI system of the computer that answers: the operating system's own (``rtmidi_link``) and
JACK (``jack_midi``), which is never started. A name is that of a port of another program or device, or a part of it
that no other port has; without a name a port of our own is opened, that others connect to.
"""

import contextlib
import time
from collections.abc import Iterator, Sequence
from typing import Protocol

from thumbline.cli.devices import jack_midi, rtmidi_link
from thumbline.dsp.errors import InputError

#: Begins the names of our own ports under JACK, which are never offered as somebody else's.
CLIENT = "thumbline"
#: What is said where a port is wanted and there can be none.
NO_SYSTEM = "no MIDI system answers here; start JACK, or load the system's MIDI driver (snd-seq on Linux)"
#: A server may take this long to say whether it answers, and a connection to hold, in seconds.
FIRST_LOOK_S, CONNECT_S = 2.0, 1.0


class Link(Protocol):
    """A port of ours in one MIDI system; ``JackMidi`` says what everything means."""

    place: str
    keeps_connections: bool
    answers: bool
    names: tuple[str, ...]
    connected: tuple[str, ...]
    own_name: str

    @property
    def flows(self) -> bool: ...  # noqa: D102
    @property
    def prepared(self) -> bool: ...  # noqa: D102
    @property
    def targets(self) -> tuple[str, ...]: ...  # noqa: D102
    def wait_for_look(self, seconds: float) -> None: ...  # noqa: D102
    def prepare(self, *, own: bool) -> None: ...  # noqa: D102
    def serve(self, *, own: bool) -> None: ...  # noqa: D102
    def connect(self, targets: Sequence[str]) -> None: ...  # noqa: D102
    def look(self, now_ns: int) -> None: ...  # noqa: D102
    def send(self, message: Sequence[int]) -> None: ...  # noqa: D102
    def receive(self) -> list[list[int]]: ...  # noqa: D102
    def close(self) -> None: ...  # noqa: D102


def _links(client: str, port: str, *, output: bool, priority: int = 0) -> list[Link]:
    """A link in each MIDI system for which there is a library, the operating system's first."""
    links: list[Link] = []
    with contextlib.suppress(ImportError):
        links.append(rtmidi_link.RtMidi(client, port, output=output))
    with contextlib.suppress(ImportError, OSError):
        jack_midi.library()
        links.append(jack_midi.JackMidi(client, port, output=output, priority=priority))
    return links


def no_library() -> str:
    """Return why there is no MIDI at all on this computer, in one line; "" if a library can be loaded."""
    reasons = []
    for library in (rtmidi_link.library, jack_midi.library):
        try:
            library()
        except (ImportError, OSError) as error:
            reasons.append(str(error))
        else:
            return ""
    return f"there is no MIDI: no library for it can be loaded ({'; '.join(reasons)}); everything else works"


def no_midi() -> str:
    """Return why no port can be had where none is: no library, or no MIDI system that answers."""
    return no_library() or NO_SYSTEM


def _foreign(names: Sequence[str]) -> list[str]:
    return [name for name in names if not name.startswith(CLIENT)]


def _listed_ports(*, output: bool) -> list[str]:
    with _opened(f"{CLIENT}-look", "look", output=output) as links:
        return [name for link in links for name in _foreign(link.names)]


@contextlib.contextmanager
def _opened(client: str, port: str, *, output: bool) -> Iterator[list[Link]]:
    links = _links(client, port, output=output)
    try:
        for link in links:
            link.wait_for_look(FIRST_LOOK_S)
        yield links
    finally:
        for link in links:
            link.close()


def output_names() -> list[str]:
    """Names of the ports that messages can be sent to."""
    return _listed_ports(output=True)


def input_names() -> list[str]:
    """Names of the ports that messages can be heard from."""
    return _listed_ports(output=False)


def matching(wanted: str, names: Sequence[str]) -> list[int]:
    """Places in ``names`` of the port meant: the one so called, or all that the name is a part of (any case)."""
    exact = [place for place, name in enumerate(names) if name == wanted]
    if exact:
        return exact[:1]  # two devices of one kind may bear one name; the first is as good a guess as any
    return [place for place, name in enumerate(names) if wanted.casefold() in name.casefold()]


class _Port:
    """What the ports of both directions share."""

    OUTPUT = True

    def __init__(self, wanted: str, client: str, port: str, priority: int = 0):
        self.wanted = wanted
        self.name = ""  #: full name of what it is connected to; of our own port, if nothing has a name
        self.present = False  #: what is sent arrives somewhere; what is to be heard may come
        self._links = _links(client, port, output=self.OUTPUT, priority=priority)
        self._link: Link | None = None
        self._connections: tuple[str, ...] = ()

    def prepare(self) -> None:
        """Do all that can be done before :meth:`open`; before this is called, only what harms nobody has been done."""
        for link in self._links:
            link.prepare(own=not self.wanted)

    @property
    def prepared(self) -> bool:
        """Whether :meth:`open` has nothing left to do that takes long."""
        return all(link.prepared for link in self._links)

    @property
    def place(self) -> str:
        """Where :attr:`name` is the port's name; "" while it has none."""
        return "" if self._link is None else self._link.place

    @property
    def protected(self) -> bool:
        """Whether a successor can be connected to what this port is connected to."""
        return bool(self.wanted) or (self._link is not None and self._link.keeps_connections)

    @property
    def _ready(self) -> bool:
        return self.present if self.wanted else self.opened

    @property
    def opened(self) -> bool:
        """Whether it has been found, or our own port is there for others to connect to."""
        return self._link is not None and bool(self.name)

    @property
    def connections(self) -> tuple[str, ...]:
        """Whom our own port is connected to, and was until they went: for a successor."""
        own = self._link is not None and not self.wanted and self._link.keeps_connections
        return self._link.targets if own and self._link is not None else self._connections

    def open(self, *, wait: bool = False, connections: Sequence[str] = ()) -> None:
        """Connect to the port that is wanted, or open our own and connect it to ``connections``.

        Raises InputError if it is not there or the name could mean several, unless ``wait``: :meth:`look` then
        connects when it comes.
        """
        self._connections = tuple(connections)
        if wait:
            self.look()
            return
        for link in self._links:
            link.wait_for_look(FIRST_LOOK_S)
        self.look()
        until = time.monotonic() + CONNECT_S
        while self._link is not None and not self._ready and time.monotonic() < until:
            time.sleep(0.002)
            self.look()
        if self.wanted and not self.present:
            answer = any(link.answers for link in self._links)
            raise InputError(
                f"MIDI port is {self.wanted!r}{f'; {self._choices()}' if answer else f', but {no_midi()}'}"
            )

    def _choices(self) -> str:
        names = [name for link in self._links for name in _foreign(link.names)]
        near = [names[place] for place in matching(self.wanted, names)]
        if len(near) > 1:
            return f"accepted: a name that only one port has; it is part of {_listed(near)}"
        return f"accepted: {_listed(names) if names else 'none is there; connect the device first'}"

    def look(self, now_ns: int | None = None) -> bool:
        """Look whether the port is there; True if it has just come, or come back."""
        now_ns = time.monotonic_ns() if now_ns is None else now_ns
        for link in self._links:
            link.look(now_ns)
        if self.wanted:
            self._look_for_named()
        else:
            self._look_at_own()
        was = self.present
        self.present = (
            self._link is not None and self._link.flows and (not self.wanted or self.name in self._link.connected)
        )
        return self.present and not was

    def _look_for_named(self) -> None:
        if self._link is not None and self.name in self._link.names:
            return
        found = self._find()
        if found is not None:
            self._link, self.name = found
            self._link.connect([self.name])
            self._link.serve(own=False)

    def _find(self) -> tuple[Link, str] | None:
        """The link and full name of the port meant: the one that it was last, or what the name wanted means now."""
        offered = [(link, _foreign(link.names)) for link in self._links]
        for link, names in offered:
            if self.name and self.name in names:
                return link, self.name
        found = [(link, [names[place] for place in matching(self.wanted, names)]) for link, names in offered]
        exact = [(link, self.wanted) for link, names in found if self.wanted in names]
        # Of one device that two systems see, the first is taken; in each of them it must be the only one.
        single = [(link, names[0]) for link, names in found if names]
        if exact:
            return exact[0]
        return single[0] if single and all(len(names) <= 1 for _, names in found) else None

    def _look_at_own(self) -> None:
        """Open our own port in a system that lets a successor take over its connections, or else in any."""
        if self._link is None:
            answering = [link for link in self._links if link.answers and link.keeps_connections]
            if not answering and not self._connections:  # a predecessor's connections can be had in its system alone
                answering = [link for link in self._links if link.answers]
            if not answering:
                return
            self._link = answering[0]
            self._link.connect(self._connections)
            self._link.serve(own=True)
        self.name = ", ".join(self._link.connected) or self._link.own_name

    def close(self) -> None:
        """Close the port; the object is of no more use."""
        for link in self._links:
            link.close()
        self._links, self._link, self.present = [], None, False


class OutputPort(_Port):
    """Where messages go. Made in one step and opened in another, as the first may take long.

    Parameters
    ----------
    wanted
        A port's name or part of it, or "" for a port of our own (none on Windows: messages then go nowhere).
    client
        What other programs see as our name.
    port
        The name of our end.
    priority
        Real-time priority for what looks after the port (POSIX), 0 for none.
    """

    OUTPUT, CLIENT = True, f"{CLIENT}-mutes"

    def __init__(self, wanted: str, client: str = CLIENT, port: str = "out", priority: int = 0):
        super().__init__(wanted, client, port, priority)

    def send(self, message: Sequence[int]) -> bool:
        """Send one whole message; nothing happens while the port is not there, and False is returned."""
        if self._link is None or not self.present:
            return False
        self._link.send(message)
        return True


class InputPort(_Port):
    """Where messages come from; clock and active sensing are left out. Arguments as for :class:`OutputPort`."""

    OUTPUT = False

    def __init__(self, wanted: str, client: str = f"{CLIENT}-feet", port: str = "in", priority: int = 0):
        super().__init__(wanted, client, port, priority)

    def receive(self) -> list[list[int]]:
        """Return the messages that have come since the last call, in order."""
        return [] if self._link is None else self._link.receive()


def _listed(names: Sequence[str]) -> str:
    return ", ".join(repr(name) for name in names)
