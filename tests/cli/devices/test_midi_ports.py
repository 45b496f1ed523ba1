"""Ports that cannot be had, go away while they are opened, or come later; the MIDI libraries are stand-ins.

Over a real MIDI system: tests/cli/devices/test_jack_midi.py and test_keeper.py; with any names:
tests/robustness/test_any_midi.py.
"""

import sys
from collections.abc import Callable
from typing import Any

import pytest

from thumbline.cli.devices import midi_ports, rtmidi_link
from thumbline.cli.devices.midi_ports import InputPort, OutputPort, no_midi, output_names
from thumbline.cli.devices.rtmidi_link import LOOK_NS, SYSTEM_LOOK_NS
from thumbline.dsp.errors import InputError


class RtMidiError(Exception):
    """What python-rtmidi raises."""


class Client:
    """A client as both libraries make it; each uses its own half of the names."""

    def __init__(self, system: "System") -> None:
        self.system = system
        self.open_to: str | None = None
        self.sent: list[Any] = []
        system.client = self

    def get_ports(self) -> list[str]:
        if self.system.changes:
            raise self.system.RtMidiError("ports changed")
        return list(self.system.names)

    @property
    def ports(self) -> list[str]:
        return self.get_ports()

    def open_port(self, number: int, _name: str = "") -> None:
        if self.system.gone:
            raise self.system.RtMidiError("no such port")
        self.open_to = self.system.names[number]

    def open_virtual_port(self, name: str) -> None:
        if not self.system.virtual:
            raise NotImplementedError("Virtual ports are not supported") if self.system.first else RuntimeError("no")
        self.open_to = name

    def close_port(self) -> None:
        self.open_to = None

    def send_message(self, message: Any) -> None:
        self.sent.append(message)

    def get_message(self) -> Any:
        if not self.system.heard:
            return None
        message = self.system.heard.pop(0)
        return (message, 0.1) if self.system.first else message


class System:
    """One MIDI system behind one of the libraries: whether it answers, its ports, and what it cannot do."""

    def __init__(self, name: str) -> None:
        self.first = name == "rtmidi"
        self.names = ["module:in"]
        self.heard: list[list[int]] = []
        self.client: Any = None
        self.answers, self.virtual, self.gone, self.changes = True, True, False, False
        self.API_LINUX_ALSA = self.API_MACOSX_CORE = self.API_WINDOWS_MM = 2
        self.RtMidiError = RtMidiError if self.first else RuntimeError

    def MidiOut(self, *arguments: Any) -> Client:  # noqa: N802
        system, name = arguments if self.first else arguments[::-1]
        assert system == 2
        assert name.startswith("thumbline")
        if not self.answers:
            raise self.RtMidiError("no server")
        return Client(self)

    MidiIn = MidiOut


@pytest.fixture(params=["rtmidi", "rtmidi2"])
def system(request: pytest.FixtureRequest, monkeypatch: pytest.MonkeyPatch) -> System:
    system = System(request.param)
    for name in ("rtmidi", "rtmidi2"):
        monkeypatch.setitem(sys.modules, name, system if name == request.param else None)
    monkeypatch.setattr(midi_ports.jack_midi, "library", no_jack)
    return system


def no_jack() -> Any:
    raise OSError("JACK library not found")


@pytest.fixture
def no_libraries(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("rtmidi", "rtmidi2"):
        monkeypatch.setitem(sys.modules, name, None)
    monkeypatch.setattr(midi_ports.jack_midi, "library", no_jack)


@pytest.mark.usefixtures("no_libraries")
def test_without_a_library_it_is_said_what_is_missing_and_that_the_rest_works() -> None:
    assert no_midi().startswith("there is no MIDI: no library for it can be loaded")
    assert "rtmidi2" in no_midi()
    assert "JACK library not found" in no_midi()
    assert no_midi().endswith("everything else works")
    assert output_names() == []
    with pytest.raises(InputError, match="MIDI port is 'module', but there is no MIDI"):
        OutputPort("module").open()
    port = OutputPort("")
    port.open()
    assert not port.present
    assert not port.opened
    assert not port.send([0xB0, 102, 127])


def test_ports_that_change_while_they_are_listed_are_none_for_now(system: System) -> None:
    system.changes = True
    assert output_names() == []
    with pytest.raises(InputError, match="none is there; connect the device first"):
        OutputPort("module").open()


def test_a_system_without_ports_of_ones_own_has_none_and_nothing_is_sent(system: System) -> None:
    system.virtual = False
    port = OutputPort("")
    port.open()
    assert not port.opened
    assert not port.present
    assert not port.send([0xB0, 102, 127])
    assert InputPort("").receive() == []


def test_a_port_of_our_own_that_forgets_its_connections_says_so(system: System) -> None:
    own, named = OutputPort(""), OutputPort("module")
    own.open()
    named.open()
    assert own.name == "thumbline-mutes:out"
    assert own.present
    assert not own.protected
    assert named.protected
    assert own.send([0xB0, 102, 127])
    assert own.connections == ()


def test_messages_come_and_go_as_plain_lists(system: System) -> None:
    port, heard = OutputPort("module"), InputPort("module")
    port.open()
    assert port.send([0xB0, 102, 127])
    heard.open()
    system.heard = [[0xB0, 64, 127], [0xC0, 3]]
    assert heard.receive() == [[0xB0, 64, 127], [0xC0, 3]]
    assert heard.receive() == []
    port.close()
    assert not port.send([0xB0, 102, 127])


def test_a_port_that_goes_between_the_look_and_the_opening_is_waited_for(
    system: System, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(midi_ports, "CONNECT_S", 0.01)
    system.gone = True
    port = OutputPort("module")
    with pytest.raises(InputError, match="MIDI port is 'module'"):
        port.open()
    port.open(wait=True)
    assert not port.present
    system.gone = False
    assert look_later(port, LOOK_NS)
    assert port.present
    assert port.send([0xB0, 102, 127])


def look_later(port: OutputPort | InputPort, later_ns: int) -> bool:
    """Look when that much time has gone by since the system was looked at."""
    link: Any = port._links[0]
    return port.look(link._looked_ns + later_ns)


def test_a_midi_system_that_starts_later_is_found(system: System) -> None:
    system.answers = False
    own, named = OutputPort(""), OutputPort("module")
    own.open()
    named.open(wait=True)
    system.answers = True
    assert not look_later(own, SYSTEM_LOOK_NS - 1), "not so soon"
    assert look_later(own, SYSTEM_LOOK_NS)
    assert own.name == "thumbline-mutes:out"
    assert look_later(named, SYSTEM_LOOK_NS)
    assert named.name == "module:in"
    assert not look_later(own, SYSTEM_LOOK_NS), "it is there already"


def test_a_module_that_returns_under_another_full_name_is_used_again(system: System) -> None:
    system.names = ["synth 20:0", "module 24:0"]
    port = OutputPort("module")
    port.open()
    assert port.name == "module 24:0"
    system.names = ["synth 20:0"]
    assert not look_later(port, LOOK_NS)
    assert not port.present
    assert not port.send([0xB0, 102, 127])
    system.names = ["synth 20:0", "module 28:0"]
    assert look_later(port, LOOK_NS)
    assert port.name == system.client.open_to == "module 28:0"
    system.names = ["module 24:0", "module 28:0"]
    assert not look_later(port, LOOK_NS), "it goes on with the one that it has"
    assert port.name == "module 28:0"
    system.names = ["module 24:0", "module 30:0"]
    assert not look_later(port, LOOK_NS)
    assert not port.present, "the name could mean either"


def test_of_a_device_that_two_systems_see_the_first_is_taken(system: System, monkeypatch: pytest.MonkeyPatch) -> None:
    def two(client: str, port: str, *, output: bool, priority: int = 0) -> list[Any]:
        return [rtmidi_link.RtMidi(client, port, output=output) for _ in range(2)]

    monkeypatch.setattr(midi_ports, "_links", two)
    port = OutputPort("module")
    port.open()
    assert port._link is port._links[0]
    system.names = ["module:in", "module:in too"]
    with pytest.raises(InputError, match="a name that only one port has"):
        OutputPort("modul").open()


def test_our_own_ports_are_never_offered(system: System) -> None:
    system.names = ["thumbline-feet:in", "module:in"]
    assert output_names() == ["module:in"]
    assert midi_ports.input_names() == ["module:in"]
    port = OutputPort("in")
    port.open()
    assert port.name == "module:in"
    assert port.present


def test_ports_are_listed_by_name(system: System, run: Callable[..., tuple[int, str, str]]) -> None:
    system.names = ["module:in", "feet:out"]
    code, out, _ = run("ports")
    assert code == 0
    listed = out[out.index("MIDI out") :].splitlines()
    own = ["  module:in", "  feet:out"]
    assert listed == ["MIDI out, to sound modules", *own, "MIDI in, from foot controllers", *own]


@pytest.mark.usefixtures("no_libraries")
def test_without_a_library_the_list_ends_with_why(run: Callable[..., tuple[int, str, str]]) -> None:
    code, out, _ = run("ports")
    assert code == 0
    assert out.splitlines()[-1].startswith("There is no MIDI: no library for it can be loaded")
