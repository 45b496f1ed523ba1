"""Whatever bytes a foot controller sends, and whatever its port is called, nothing is asked that may not be."""

import math
from collections.abc import Sequence

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import thumbline.cli.devices.midi_ports as midi_ports
from thumbline.cli.devices.midi_ports import InputPort, OutputPort, matching
from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.foot_controller import ACTIONS, Controls, FootBoard, bind
from thumbline.dsp.rig.learn_switch import pressed
from thumbline.dsp.rig.stage_sections import Foot

FEET = [
    Foot.model_validate({"action": action, "message": message, "number": number, "channel": channel})
    for action in ACTIONS
    for message, number in (("control change", 64), ("note", 60), ("program change", 3))
    for channel in (1, 16)
    if action not in ("bass level", "bass tone") or message == "control change"
]
MESSAGES = st.lists(st.one_of(st.lists(st.integers(0, 255), max_size=5), st.binary(max_size=4).map(list)), max_size=30)
STATUSED = st.lists(
    st.tuples(
        st.sampled_from([0x80, 0x8F, 0x90, 0x9F, 0xB0, 0xBF, 0xC0, 0xCF, 0xF0, 0xF8, 0xFE, 0xFF]),
        st.sampled_from([0, 3, 60, 64, 119, 120, 127]),
        st.sampled_from([0, 1, 63, 64, 126, 127, 128, 255]),
    ).map(list),
    max_size=60,
)


@settings(deadline=None)
@given(messages=st.one_of(MESSAGES, STATUSED), count=st.integers(1, 32))
def test_after_any_messages_what_is_asked_is_within_its_range(messages: list[list[int]], count: int) -> None:
    board, asked = FootBoard(map(bind, FEET)), Controls(settings=count)
    for message in messages:
        asked = board.feed(message, asked)
        assert 0 <= asked.setting < asked.settings == count
        assert -60.0 <= asked.bass_level_db <= 12.0
        assert 80.0 <= asked.tone_hz <= 20000.0 + 1e-6
        assert math.isnan(asked.interval) or (-24.0 <= asked.interval <= 0.0 and asked.interval.is_integer())
        assert {type(asked.split), type(asked.hold), type(asked.all_open)} == {bool}


@given(messages=st.one_of(MESSAGES, STATUSED), pedal=st.booleans())
def test_any_messages_are_a_press_or_none(messages: list[list[int]], pedal: bool) -> None:
    press = pressed(messages, pedal=pedal)
    assert press is None or (1 <= press.channel <= 16 and 0 <= press.number < 128 and 0 <= press.value < 128)


class Link:
    """A port in a MIDI system whose ports have the names given, and that hands out the messages given."""

    keeps_connections, answers, prepared, own_name = True, True, True, ""

    def __init__(self, names: list[str], messages: list[list[int]]):
        self.names, self.messages = tuple(names), list(messages)
        self.targets: tuple[str, ...] = ()
        self.own = False

    @property
    def connected(self) -> tuple[str, ...]:
        return self.targets

    @property
    def flows(self) -> bool:
        return self.own or bool(self.targets)

    def wait_for_look(self, seconds: float) -> None: ...
    def look(self, now_ns: int) -> None: ...

    def connect(self, targets: Sequence[str]) -> None:
        self.targets = tuple(targets)

    def serve(self, *, own: bool) -> None:
        self.own, self.own_name = own, "ours" if own else ""

    def receive(self) -> list[list[int]]:
        return self.messages

    def send(self, message: Sequence[int]) -> None:
        assert self.flows


NAMES = st.lists(st.one_of(st.text(max_size=12), st.sampled_from(["thumbline-mutes:out", "bass module", "Bass"])))


@settings(deadline=None)
@given(names=NAMES, wanted=st.one_of(st.text(max_size=6), st.sampled_from(["bass", "", "module"])), messages=MESSAGES)
def test_a_port_is_found_by_a_name_that_means_one_or_refused_in_one_line(
    names: list[str], wanted: str, messages: list[list[int]]
) -> None:
    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(midi_ports, "_links", lambda *_, **__: [Link(names, messages)])
        for kind in (InputPort, OutputPort):
            port = kind(wanted)
            try:
                port.open()
            except InputError as error:
                line = str(error)
            else:
                line = ""
            assert line.isprintable()
            assert port.present == (line == "")
            if port.present and wanted:
                assert not port.name.startswith("thumbline")
                assert names.index(port.name) in matching(wanted, names)
            if isinstance(port, InputPort):
                assert port.receive() == (messages if port.present else [])
            else:
                port.send([0xB0, 102, 127])
