"""MIDI through a JACK server (jackd, or PipeWire in its place): one port of ours, looked after by a thread.

Every call that asks the server for something may take long, or never return if the server has died or stands still. So
a thread of its own makes them all, without the interpreter's lock; who sends or hears only reads what the thread has
published and hands over messages. A server that dies is noticed by its own notice of it, its client is never used
again, and a new one is made as soon as a server answers.

The client is made ahead of time, which takes some 50 ms; it takes part in the server's rounds, which another 50 ms go
by before, only from :meth:`JackMidi.prepare` on: a process that takes part and is stopped by a signal holds up the
server's graph until it is ended.

The callback of each round is Python: it takes 6 microseconds (median; 99 % 20) with six messages per second to send,
and the message leaves in the same round as from a native one.
"""

import contextlib
import functools
import os
import re
import threading
import time
from collections import deque
from collections.abc import Callable, Sequence
from typing import Any

from thumbline.cli.devices.jack_memory import let_go
from thumbline.cli.shared.processes import raise_priority, raise_priority_of_all

#: Time between looks at the ports, while our port is not to be used yet, and between attempts to reach a server, in
#: seconds.
LOOK_S, AHEAD_S, RETRY_S = 0.05, 0.25, 0.2
#: The same while a connection has been asked for and does not hold yet.
SOON_S = 0.003
#: A port of ours that others connect to forgets a connection that somebody has cut this long ago, in nanoseconds. (A
#: program that ends cuts its connections before its port goes.)
FORGET_NS = 1_000_000_000
#: A server that has not called for so long, and of which no look has come to an end for so long, does not answer.
SILENT_NS = 1_000_000_000
#: A client whose port is open and that has not been called for so long may be that of a server that has died without a
#: word, as PipeWire does: a new one is tried.
RENEW_NS = 2_000_000_000
#: How the place of a port begins; the server's name follows.
PLACE = "JACK server "
#: The callback does nothing for so long before the client is closed: JACK ends its thread wherever that is.
REST_S = 0.02


#: Clients of servers that have died: never touched again, as to close one may hang or crash.
_dead: list[Any] = []


@functools.cache
def library() -> Any:
    """Return the JACK library, which has no type hints. Raises ImportError or OSError where it is not installed."""
    import jack

    jack.set_error_function(_say_nothing)
    jack.set_info_function(_say_nothing)
    return jack


def _say_nothing(_text: str) -> None:
    """Keep the library's own chatter off the terminal."""


class JackMidi:
    """One MIDI port of ours and the client that has it.

    Parameters
    ----------
    client
        What other programs see as our name; the server appends a number if it is taken.
    port
        The name of our port.
    output
        Messages go out; else they come in.
    priority
        Real-time priority that is asked for the thread, 0 for none: it holds the interpreter's lock now and
        then, and whoever waits for that must not wait for other programs.
    """

    #: A successor can be connected to what this port is connected to.
    keeps_connections = True

    def __init__(self, client: str, port: str, *, output: bool, priority: int = 0):
        self.place = f"{PLACE}{os.environ.get('JACK_DEFAULT_SERVER', 'default')}"  #: where names mean something
        self.answers = False  #: a server answers and our client lives
        self.names: tuple[str, ...] = ()  #: ports of all others that ours can be connected to
        self.connected: tuple[str, ...] = ()  #: of these, the ones that ours is connected to now
        self.own_name = ""  #: of our port, with the client's name
        self._client_name, self._port_name, self._output = client, port, output
        self._priority = priority
        self._client: Any = None
        self._port: Any = None
        self._ended = threading.Event()
        self._targets: tuple[str, ...] = ()
        self._own = False
        self._held_ns: dict[str, int] = {}  # when each target was last seen connected, since it was last away
        self._preparing = self._serving = self._resting = self._closing = False
        self._called_ns = self._looked_ns = self._opened_ns = 0
        self._messages: deque[bytes] = deque()
        self._wake, self._first_look = threading.Event(), threading.Event()
        self._thread = threading.Thread(target=self._tend, name="jack midi", daemon=True)
        self._thread.start()

    def wait_for_look(self, seconds: float) -> None:
        """Wait until it is known whether a server answers, but no longer than that."""
        self._first_look.wait(seconds)

    def prepare(self, *, own: bool) -> None:
        """Take part already, with our port unconnected."""
        if not self._preparing:
            self._own, self._preparing = own, True
            self._wake.set()

    def serve(self, *, own: bool) -> None:
        """Take part: open the port. With ``own`` others connect to it, and their connections become its targets."""
        self._own, self._serving = own, True
        self._wake.set()

    @property
    def targets(self) -> tuple[str, ...]:
        """What our port is to be connected to."""
        return self._targets

    def look(self, now_ns: int) -> None:
        """Nothing: the thread looks."""

    def connect(self, targets: Sequence[str]) -> None:
        """Connect our port to each of these for as long as they are there, and again when they come back."""
        if tuple(targets) != self._targets:
            self._targets = tuple(targets)
            self._wake.set()

    @property
    def prepared(self) -> bool:
        """Whether there is nothing left to be made ahead of time, and the thread that does so is alive."""
        looks = self._first_look.is_set() and time.monotonic_ns() - self._looked_ns < SILENT_NS
        return looks and (self._port is not None or self._client is None or not self._preparing)

    @property
    def flows(self) -> bool:
        """Whether our port is connected and the server calls."""
        return bool(self.connected) and time.monotonic_ns() - self._called_ns < SILENT_NS

    def send(self, message: Sequence[int]) -> None:
        """Hand over one whole message; it leaves with the server's next round."""
        self._messages.append(bytes(message))

    def receive(self) -> list[list[int]]:
        """Return the messages that have come since the last call, in order."""
        found = []
        while self._messages:
            found.append(list(self._messages.popleft()))
        return found

    def close(self) -> None:
        """Leave the server in order; may take as long as the server likes."""
        self._closing = True
        self._wake.set()
        self._thread.join()
        if self._client is not None:
            self._resting = True
            time.sleep(REST_S)
            self._client.close()
            self._client = None
        self.answers, self.connected, self.names = False, (), ()

    def _tend(self) -> None:
        if self._priority:
            raise_priority(self._priority, children=False)
        while not self._closing:
            try:
                self._look()
            except Exception:  # whatever the library raises in the midst of a server's end: look again
                self._lose()
            self._looked_ns = time.monotonic_ns()
            self._first_look.set()
            self._wake.wait(self._pause_s())
            self._wake.clear()

    def _pause_s(self) -> float:
        if self._client is None:
            return RETRY_S
        if not self._serving:
            return AHEAD_S
        return SOON_S if self._missing() else LOOK_S

    def _missing(self) -> list[str]:
        """The targets that are there, and that our port is not connected to though it should be."""
        if not self._serving or self._port is None:
            return []
        cut = self._held_ns if self._own else {}
        return [name for name in self._targets if name in self.names and name not in {*self.connected, *cut}]

    def _look(self) -> None:
        if self._ended.is_set():
            self._lose()
        if self._client is None:
            self._client = self._make()
        elif self._port is not None and time.monotonic_ns() - max(self._called_ns, self._opened_ns) > RENEW_NS:
            self._renew()
        if self._client is None:
            return
        if self._port is None and (self._serving or self._preparing):
            self._open_port()
        # First what is connected: a port that goes in between is then not taken for one that somebody has cut off.
        connected = () if self._port is None else tuple(port.name for port in self._port.connections)
        found = self._client.get_ports(is_midi=True, is_input=self._output, is_output=not self._output)
        names = tuple(port.name for port in found)
        if self._own and self._port is not None:
            self._follow(names, connected)
        self.names, self.connected, self.answers = names, connected, True
        for target in self._missing():
            self._connect(target)

    def _follow(self, names: Sequence[str], connected: Sequence[str]) -> None:
        """Let the targets be what others have connected, less what they have cut."""
        now_ns = time.monotonic_ns()
        self._held_ns = {
            name: now_ns if name in connected else at for name, at in self._held_ns.items() if name in names
        }
        self._held_ns |= dict.fromkeys(connected, now_ns)
        cut = {name for name, at in self._held_ns.items() if now_ns - at > FORGET_NS}
        kept = [name for name in self._targets if name not in cut]
        self._targets = (*kept, *(name for name in connected if name not in kept))

    def _make(self) -> Any:
        """A new client; None if no server answers."""
        jack = library()
        self._ended.clear()
        with contextlib.suppress(jack.JackOpenError):
            client = jack.Client(self._client_name, no_start_server=True)
            if self._has_namesake(client):
                client.close()
                client = jack.Client(f"{self._client_name}-{os.getpid()}", no_start_server=True)
            client.set_shutdown_callback(lambda _status, _reason: self._end(client))
            client.set_process_callback(self._callback(client))
            self._settle()
            return client
        return None

    def _renew(self) -> None:
        """Go on with a new client, unless the one that we have is called after all while that is made."""
        called_ns = self._called_ns
        client = self._make()
        if client is None:
            return
        if self._called_ns != called_ns:
            client.close()
            return
        self._lose()
        self._client = client

    def _has_namesake(self, client: Any) -> bool:
        """Whether our port would be called like one that is there. JACK gives each client a name of its own, PipeWire
        does not: and who connects by a name that two have connects either, or one that has gone."""
        return bool(client.get_ports(f"^{re.escape(f'{client.name}:{self._port_name}')}$"))

    def _settle(self) -> None:
        """See to what the library has made: threads in which the server speaks to us, memory that it has locked."""
        let_go()
        if self._priority:
            raise_priority_of_all(self._priority)

    def _callback(self, client: Any) -> Callable[[int], None]:
        process, leave = self._process_out if self._output else self._process_in, library().CallbackExit

        def call(frames: int) -> None:
            if client is not self._client:  # given up: the server is to call it no more
                raise leave
            process(frames)

        return call

    def _end(self, client: Any) -> None:
        if client is not self._client:
            return
        self.answers, self.connected, self.names = False, (), ()
        self._ended.set()
        self._wake.set()

    def _lose(self) -> None:
        """Forget the client: its server has died."""
        self.answers, self.connected, self.names = False, (), ()
        if self._client is not None:
            _dead.append(self._client)
            self._client._ptr = library()._ffi.NULL  # or it would be closed when it is freed, at the latest at exit
        self._client = self._port = None
        self._held_ns.clear()
        self._messages.clear()

    def _open_port(self) -> None:
        ports = self._client.midi_outports if self._output else self._client.midi_inports
        self._messages.clear()
        port = ports.register(self._port_name)
        self._port, self.own_name = port, port.name
        self._client.activate()
        self._opened_ns = time.monotonic_ns()
        self._settle()

    def _connect(self, target: str) -> None:
        ends = (self.own_name, target) if self._output else (target, self.own_name)
        jack = library()
        with contextlib.suppress(jack.JackError):  # gone meanwhile, or connected already
            self._client.connect(*ends)

    def _process_out(self, _frames: int) -> None:
        port = self._port
        if self._resting or port is None:
            return
        self._called_ns = time.monotonic_ns()
        port.clear_buffer()
        while self._messages:
            message = self._messages[0]
            try:
                port.write_midi_event(0, message)
            except Exception:  # no room in this round; it goes out with the next
                return
            self._messages.popleft()

    def _process_in(self, _frames: int) -> None:
        port = self._port
        if self._resting or port is None:
            return
        self._called_ns = time.monotonic_ns()
        self._messages.extend(bytes(message) for _, message in port.incoming_midi_events())
