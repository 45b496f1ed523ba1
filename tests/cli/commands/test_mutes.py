"""`thumbline mutes` and `thumbline rig learn`, with ports that note what passes."""

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from thumbline.cli.devices import midi_ports
from thumbline.dsp.rig.file import load_rig

pytestmark = pytest.mark.real_time

Run = Callable[..., tuple[int, str, str]]


class Out:
    """An output that notes what is sent, and can be interrupted after so many messages."""

    def __init__(self, wanted: str):
        self.name, self.opened = wanted or "thumbline-mutes:out", True
        self.sent = sent
        sent.clear()

    def open(self) -> None:
        pass

    def look(self) -> None:
        pass

    def send(self, message: list[int]) -> None:
        sent.append(tuple(message))
        if len(sent) == interrupted_at[0]:
            raise KeyboardInterrupt

    def close(self) -> None:
        pass


sent: list[tuple[int, ...]] = []
interrupted_at = [-1]
ALL_OPEN = [(0xB0, 101 + string, 0) for string in range(6, 0, -1)]


@pytest.fixture(autouse=True)
def port(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi_ports, "OutputPort", Out)
    interrupted_at[0] = -1


def test_each_string_is_muted_and_opened_from_the_lowest_up_and_all_are_open_before_and_after(run: Run) -> None:
    code, out, _ = run("mutes", "--seconds", 0.05, "--midi", "box")
    assert code == 0
    steps = [(0xB0, 101 + string, value) for string in range(6, 0, -1) for value in (127, 0)]
    assert sent == ALL_OPEN * 3 + steps + ALL_OPEN * 3
    assert "bass module: string 6 (E2) muted    channel 1, controller 107, value 127" in out
    assert out.splitlines()[-1] == "Every string is unmuted."


def test_each_step_can_be_a_json_object(run: Run) -> None:
    _, out, _ = run("mutes", "--seconds", 0.05, "--json")
    events = [json.loads(line) for line in out.splitlines()]
    assert [event["event"] for event in events] == ["start", *["muted", "unmuted"] * 6, "end"]
    assert events[1] == {
        "event": "muted",
        "module": "bass module",
        "string": 6,
        "note": "E2",
        "channel": 1,
        "controller": 107,
        "value": 127,
    }


def test_one_string_goes_on_until_ctrl_c_and_then_all_are_open(run: Run) -> None:
    interrupted_at[0] = 18 + 7
    code, _, _ = run("mutes", "--seconds", 0.05, "--string", 4)
    assert code == 0
    assert sent[18:24] == [(0xB0, 105, 127), (0xB0, 105, 0)] * 3
    assert sent[-18:] == ALL_OPEN * 3


def test_ctrl_c_in_the_middle_leaves_every_string_open(run: Run) -> None:
    interrupted_at[0] = 18 + 3
    code, _, _ = run("mutes", "--seconds", 0.05)
    assert code == 1
    assert sent[-18:] == ALL_OPEN * 3


def test_one_module_can_be_named(run: Run, tmp_path: Path) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text("[[mutes.modules]]\nname = 'low'\n[[mutes.modules]]\nname = 'high'\nchannel = 2\n")
    assert run("mutes", "--rig", rig, "--seconds", 0.05, "--module", "high")[0] == 0
    assert {message[0] for message in sent if message[2] == 127} == {0xB1}


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (("--module", "x"), "--module is 'x'; accepted: 'bass module'"),
        (("--string", 7), "--string is 7; accepted: 1 to 6"),
        (("--seconds", 0), "Invalid value for '--seconds'"),
        (("--rig", "none.toml"), "none.toml: cannot be read"),
    ],
)
def test_bad_usage_is_one_line_and_sends_nothing(run: Run, arguments: tuple[Any, ...], message: str) -> None:
    sent.clear()
    code, _, err = run("mutes", *arguments)
    assert code == 2
    assert message in err
    assert len(err.splitlines()) == 1
    assert sent == []


class In:
    """An input that hands out what the foot does, a message a look."""

    def __init__(self, wanted: str):
        self.name, self.opened = wanted, True

    def open(self) -> None:
        pass

    def look(self) -> None:
        pass

    def receive(self) -> list[list[int]]:
        return [pressed.pop(0)] if pressed else []

    def close(self) -> None:
        pass


pressed: list[list[int]] = []


def test_a_switch_is_pressed_and_the_rig_has_it(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi_ports, "InputPort", In)
    pressed[:] = [[0xFE], [0xB2, 0, 0], [0xC2, 5]]
    rig = tmp_path / "rig.toml"
    rig.write_text("# mine\n")
    code, out, _ = run("rig", "learn", rig, "next song", "--port", "floor")
    assert code == 0
    assert 'Press the switch for "next song" (listening to floor)' in out
    assert f'{rig}: "next song" is program change 5 on channel 3' in out
    assert rig.read_text().startswith("# mine\n")
    assert load_rig(rig).feet[0].number == 5
    assert "Foot: next song: program change 5 on channel 3, stepped" in run("rig", "check", rig)[1]


def test_without_a_press_the_rig_stays_as_it_was(run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(midi_ports, "InputPort", In)
    pressed[:] = [[0xF8], [0xB0, 80, 0]]
    rig = tmp_path / "rig.toml"
    rig.write_text("# mine\n")
    code, _, err = run("rig", "learn", rig, "split", "--wait", 0.1)
    assert code == 2
    assert "nothing usable was heard" in err
    assert rig.read_text() == "# mine\n"
    assert run("rig", "learn", rig, "fly")[0] == 2
    assert run("rig", "learn", rig, "interval", "--steps", "a b")[0] == 2


@pytest.mark.parametrize("steps", ["inf", "low", "1 nan"])
def test_steps_that_are_no_numbers_are_refused(run: Run, tmp_path: Path, steps: str) -> None:
    rig = tmp_path / "rig.toml"
    rig.write_text("# mine\n")
    code, _, err = run("rig", "learn", rig, "interval", "--steps", steps)
    assert code == 2
    assert f"--steps is {steps!r}; accepted: numbers, for example -12 -24" in err
    assert rig.read_text() == "# mine\n"


def test_where_there_is_no_midi_nothing_is_waited_for(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    class Nowhere(In):
        def __init__(self, wanted: str):
            super().__init__(wanted)
            self.opened = False

    monkeypatch.setattr(midi_ports, "InputPort", Nowhere)
    rig = tmp_path / "rig.toml"
    rig.write_text("# mine\n")
    code, _, err = run("rig", "learn", rig, "hold")
    assert code == 2
    assert midi_ports.no_midi() in err


def test_a_rig_without_modules_has_nothing_to_mute(run: Run, tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text("[mutes]\nmodules = []\n")
    code, _, err = run("mutes", "--rig", tmp_path / "rig.toml")
    assert code == 2
    assert "(mutes.modules is []); accepted: at least one" in err


def test_a_time_that_is_no_number_is_refused(run: Run) -> None:
    code, _, err = run("mutes", "--seconds", "nan")
    assert code == 2
    assert "nan is not in the range 0.05<=x<=60.0" in err
