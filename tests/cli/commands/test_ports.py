"""`thumbline ports` on a computer with or without sound devices, and over a real sound server."""

import json
import os
import subprocess
import sys
from collections.abc import Callable
from io import StringIO
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.helpers.jack_server import jack_server
from thumbline.cli.devices import audio_devices
from thumbline.cli.devices.audio_devices import INSTALL
from thumbline.dsp.errors import InputError

pytestmark = pytest.mark.real_time

Run = Callable[..., tuple[int, str, str]]


@pytest.fixture
def no_portaudio(monkeypatch: pytest.MonkeyPatch) -> None:
    def missing() -> Any:
        raise InputError(INSTALL)

    monkeypatch.setattr(audio_devices, "sound_library", missing)


@pytest.mark.usefixtures("no_portaudio")
def test_without_portaudio_midi_ports_are_listed_and_it_is_said_what_to_install(run: Run) -> None:
    code, out, err = run("ports")
    assert (code, err) == (0, "")
    for system in ("Debian", "Fedora", "Arch", "macOS", "Windows"):
        assert system in out.splitlines()[0]
    assert "MIDI out" in out
    code, out, _ = run("ports", "--json")
    listed = json.loads(out)
    assert listed["devices"] == []
    assert "Debian" in listed["problem"]


@pytest.mark.usefixtures("no_portaudio")
@pytest.mark.parametrize("arguments", [("--tone", "1"), ("--level",), ("--loopback", "1", "1", "--yes")])
def test_without_portaudio_a_trial_exits_2_and_says_what_to_install(run: Run, arguments: tuple[str, ...]) -> None:
    from thumbline.cli.devices import streams

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(streams, "sound_library", audio_devices.sound_library)
        code, out, err = run("ports", *arguments)
    assert (code, out) == (2, "")
    assert "apt install libportaudio2" in err.splitlines()[-1]


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        (("--tone", "1", "--level"), "one of them"),
        (("--tone", "0"), "--tone"),
        (("--tone", "1", "--db", "-3"), "level of the test tone is -3"),
        (("--tone", "1", "--seconds", "60"), "length of the test tone is 60"),
        (("--tone", "1", "--hz", "9"), "frequency of the test tone is 9"),
        (("--loopback", "1"), "--loopback"),
        (("--block", "5"), "--block"),
    ],
)
def test_what_cannot_be_tried_exits_2_in_one_line(run: Run, arguments: tuple[str, ...], words: str) -> None:
    code, out, err = run("ports", *arguments)
    assert (code, out) == (2, "")
    assert words in err
    assert err.count("\n") == 1


def ports(server: Any, *arguments: str) -> tuple[int, str, str]:
    command = [sys.executable, "-m", "thumbline.cli", "ports", *arguments]
    done = subprocess.run(
        command, env=os.environ | server.environment, capture_output=True, text=True, timeout=60.0, check=False
    )
    return done.returncode, done.stdout, done.stderr


class Cable:
    """A cable of so many frames from its input to its output, as a device of the sound server."""

    def __init__(self, server: Any, delay: int, gain: float):
        jack = pytest.importorskip("jack", reason="needs JACK-Client and libjack")
        self._kept = np.zeros(delay, np.float32)
        self._gain = gain
        self._client = jack.Client("cable", no_start_server=True, servername=server.name)
        self._in = self._client.inports.register("in")
        self._out = self._client.outports.register("out")
        self._client.set_process_callback(self._process)
        self._client.activate()

    def _process(self, frames: int) -> None:
        kept = np.concatenate([self._kept, self._gain * self._in.get_array()])
        self._out.get_array()[:], self._kept = kept[:frames], kept[frames:]

    def close(self) -> None:
        self._client.deactivate()
        self._client.close()


def test_the_round_trip_through_a_longer_cable_is_longer_by_just_so_much(tmp_path: Path) -> None:
    # Lost blocks of a busy machine shift what comes back, which is found out (nothing consistent): so several tries.
    found = {}
    with jack_server(tmp_path, period=256, synchronous=True) as server:
        for delay in (0, 1000):
            cable = Cable(server, delay, -0.5)
            code, out, err = 1, "", ""
            for _ in range(5):
                code, out, err = ports(
                    server, "--loopback", "1", "1", "--yes", "--input", "cable", "--output", "cable", "--json"
                )
                if code == 0:
                    break
            cable.close()
            assert code == 0, err
            found[delay] = json.loads(out)
    assert found[1000]["frames"] - found[0]["frames"] in range(1000 - 256, 1000 + 257, 256)
    assert found[0]["inverted"]
    assert found[0]["gain_db"] == pytest.approx(-6.0, abs=0.3)


def test_devices_levels_and_silence_are_told_over_a_sound_server(tmp_path: Path) -> None:
    # By name: ALSA's plug-ins may offer the server as a device of two channels, and that is then the default.
    system = "system, JACK Audio Connection Kit"
    into, out_of = ("--input", system), ("--output", system)
    with jack_server(tmp_path, period=256) as server:
        code, out, _ = ports(server)
        assert code == 0
        assert "6 in, 2 out" in out
        code, out, _ = ports(server, "--json")
        assert {device["host"] for device in json.loads(out)["devices"]} >= {"JACK Audio Connection Kit"}
        code, out, err = ports(server, "--level", *into, "--seconds", "1", "--json")
        assert code == 0, err
        levels = json.loads(out)
        assert [each["look"] for each in levels["channels"]] == ["silent: not connected, or not played?"] * 6
        code, out, err = ports(server, "--loopback", "1", "1", "--yes", *into, *out_of)
        assert code == 2
        assert "nothing that was played on output 1 came back on input 1" in err
        code, out, err = ports(server, "--tone", "2", *out_of, "--seconds", "1")
        assert code == 0, err
        assert "headphones off" in err
        code, _, err = ports(server, "--tone", "3", *out_of, "--seconds", "1")
        assert code == 2
        assert "accepted: 1 to 2" in err


@pytest.mark.parametrize(("typed", "asks_again"), [("\n", False), ("", True)])
def test_a_round_trip_names_what_can_do_harm_and_waits_for_enter(
    run: Run, monkeypatch: pytest.MonkeyPatch, typed: str, asks_again: bool
) -> None:
    monkeypatch.setattr("sys.stdin", StringIO(typed))
    monkeypatch.setattr("thumbline.cli.devices.streams.play_and_record", lambda *_: np.zeros(200_000))
    code, _, err = run("ports", "--loopback", "1", "7")
    assert code == 2
    for words in ("phantom power (48 V)", "direct monitoring of input 7 off", "amplifier down", "headphones off"):
        assert words in err
    assert ("nobody can press Enter here; accepted: a terminal, or --yes" in err) == asks_again
    assert ("came back on input 7" in err) != asks_again
