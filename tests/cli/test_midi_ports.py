"""Ports that cannot be had, go away while they are opened, or come later; the MIDI library is a stand-in.

Over a real MIDI system: tests/cli/test_keeper.py; with any names: tests/trust/test_any_midi.py.
"""

import sys
from collections.abc import Callable
from typing import Any

import pytest

import thumbline.cli.midi_ports as midi_ports
from thumbline.cli.midi_ports import LOOK_NS, SYSTEM_LOOK_NS, InputPort, OutputPort, no_midi, output_names
from thumbline.dsp.errors import InputError


class RtMidiError(Exception):
    """What the library raises."""


class Client:
    def __init__(self, system: "System") -> None:
        self.system = system
        self.open_to: str | None = None
        self.sent: list[Any] = []

    def get_ports(self) -> list[str]:
        if self.system.changes:
            raise RtMidiError("ports changed")
        return self.system.names

    def is_port_open(self) -> bool:
        return self.open_to is not None

    def open_port(self, number: int, name: str) -> None:
        if self.system.gone:
            raise RtMidiError("no such port")
        self.open_to = self.system.names[number]

    def open_virtual_port(self, name: str) -> None:
        if not self.system.virtual:
            raise NotImplementedError("Virtual ports are not supported")
        self.open_to = name

    def close_port(self) -> None:
        self.open_to = None

    def send_message(self, message: Any) -> None:
        self.sent.append(message)


class System:
    """One MIDI system: whether it answers, its ports, and what it cannot do."""

    def __init__(self) -> None:
        self.names = ["module:in"]
        self.answers, self.virtual, self.gone, self.changes = True, True, False, False
        self.RtMidiError = RtMidiError

    def get_compiled_api(self) -> list[int]:
        return [1]

    def MidiOut(self, system: int, name: str) -> Client:  # noqa: N802
        if not self.answers:
            raise RtMidiError("no server")
        return Client(self)

    MidiIn = MidiOut


@pytest.fixture
def system(monkeypatch: pytest.MonkeyPatch) -> System:
    system = System()
    monkeypatch.setitem(sys.modules, "rtmidi", system)
    return system


def test_without_the_library_it_is_said_what_is_missing_and_that_the_rest_works(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    assert no_midi().startswith("there is no MIDI: python-rtmidi cannot be loaded")
    assert no_midi().endswith("everything else works")
    assert output_names() == []
    with pytest.raises(InputError, match="MIDI port is 'module', but there is no MIDI"):
        OutputPort("module").open()
    port = OutputPort("")
    port.open()
    assert not port.present
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
    assert not port.present
    assert not port.send([0xB0, 102, 127])
    assert InputPort("").receive() == []


def test_a_port_that_goes_between_the_look_and_the_opening_is_waited_for(system: System) -> None:
    system.gone = True
    port = OutputPort("module")
    with pytest.raises(InputError, match="MIDI port is 'module'"):
        port.open()
    port.open(wait=True)
    assert not port.present
    system.gone = False
    assert port.look(LOOK_NS + 1)
    assert port.present
    assert port.send([0xB0, 102, 127])


def test_a_midi_system_that_starts_later_is_found(system: System) -> None:
    system.answers = False
    own, named = OutputPort(""), OutputPort("module")
    own.open()
    named.open(wait=True)
    assert not own.look(SYSTEM_LOOK_NS + 1)
    system.answers = True
    assert not own.look(SYSTEM_LOOK_NS + 2), "not so soon"
    assert own.look(2 * SYSTEM_LOOK_NS + 3)
    assert own.name == "thumbline-mutes:out"
    assert named.look(SYSTEM_LOOK_NS + 1)
    assert named.name == "module:in"
    assert not own.look(9 * SYSTEM_LOOK_NS), "it is there already"


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


def test_without_the_library_the_list_ends_with_why(
    monkeypatch: pytest.MonkeyPatch, run: Callable[..., tuple[int, str, str]]
) -> None:
    monkeypatch.setitem(sys.modules, "rtmidi", None)
    code, out, _ = run("ports")
    assert code == 0
    assert out.splitlines()[-1].startswith("There is no MIDI: python-rtmidi cannot be loaded")
