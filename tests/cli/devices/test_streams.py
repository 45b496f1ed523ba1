"""Sound in and out for setting up: what is said of levels, a tone and a round trip, and what cannot be opened.

The interface is a stand-in; over a real sound server: tests/cli/commands/test_ports.py.
"""

from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
import soundfile

import thumbline.cli.devices.audio_devices as audio_devices
import thumbline.cli.devices.streams as streams
import thumbline.cli.engine.device_stream as device_stream
from tests.helpers.places import OPEN_STRINGS
from tests.helpers.sound_stand_in import DELAY, PortAudioError, Sound
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

Run = Callable[..., tuple[int, str, str]]
RATE = 48_000


@pytest.fixture
def plug(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Sound]:
    def plug_in(*arguments: Any, **keywords: Any) -> Sound:
        sound = Sound(*arguments, **keywords)
        for module in (audio_devices, streams, device_stream):
            monkeypatch.setattr(module, "sound_library", lambda: sound)
        return sound

    return plug_in


def test_levels_are_told_channel_by_channel_in_words(run: Run, plug: Callable[..., Sound]) -> None:
    heard = np.zeros((RATE, 6))
    heard[:, 1] = 0.1 * np.sin(2 * np.pi * 110 * np.arange(RATE) / RATE)
    heard[::100, 4] = 1.0
    plug(np.tile(heard, (20, 1)))
    code, out, err = run("ports", "--level", "--seconds", "1")
    assert (code, err) == (0, "")
    lines = out.splitlines()
    assert lines[0] == "Fjord 6, Stand-in, levels in dBFS"
    assert len(lines) == 7
    assert lines[2].startswith("  channel  2:  -23.0 rms,  -20.0 peak")
    assert "silent" in lines[1]
    assert "clips" in lines[5]


def test_on_a_terminal_levels_move_while_they_are_heard(
    run: Run, plug: Callable[..., Sound], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setenv("FORCE_COLOR", "1")  # a terminal for rich
    monkeypatch.setenv("TTY_COMPATIBLE", "1")
    plug(0.1 * np.ones((100 * RATE, 6)))
    code, _, err = run("ports", "--level", "--seconds", "1")
    assert code == 0
    assert "channel  6   -20.0 dB  " + 35 * "#" in err


def test_a_device_that_falls_silent_is_said_to(
    run: Run, plug: Callable[..., Sound], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(streams, "SILENT_S", 0.2)
    plug(np.zeros((RATE, 6)), ends=True)
    code, out, err = run("ports", "--level", "--seconds", "60")
    assert (code, out) == (2, "")
    assert "Fjord 6, Stand-in gives no sound any more" in err


@pytest.mark.parametrize("gain", [-0.5, 20.0])
def test_a_round_trip_is_told_in_words(run: Run, plug: Callable[..., Sound], gain: float) -> None:
    plug(gain=gain)
    code, out, err = run("ports", "--loopback", "1", "1", "--yes")
    assert code == 0, err
    assert (
        out.splitlines()[0]
        == f"Round trip: {DELAY} frames, {1e3 * DELAY / RATE:.2f} ms at 48000 Hz, blocks of 64 frames"
    )
    assert ("polarity inverted" in out) == (gain < 0.0)
    assert ("Input 1 clips: turn it down" in err) == (gain > 1.0)


def test_a_round_trip_that_varies_by_a_frame_is_said_to(
    run: Run, plug: Callable[..., Sound], monkeypatch: pytest.MonkeyPatch
) -> None:
    sound = plug()
    straight = sound.playrec

    def drifting(played: np.ndarray, rate: int, **more: Any) -> np.ndarray:
        came = straight(played, rate, **more)
        half = len(came) // 2
        came[half:] = np.roll(came[half:], 1, axis=0)
        return came

    monkeypatch.setattr(sound, "playrec", drifting)
    code, _, err = run("ports", "--loopback", "1", "1", "--yes")
    assert code == 0
    assert err.splitlines()[-1] == "It varied by 1 frame: the interface's clocks may not be one"


@pytest.mark.parametrize("as_json", [False, True])
def test_a_tone_is_played_on_its_output_alone(run: Run, plug: Callable[..., Sound], as_json: bool) -> None:
    sound = plug()
    code, out, err = run("ports", "--tone", "2", "--seconds", "1", *(["--json"] if as_json else []))
    assert code == 0, err
    assert "Fjord 6, Stand-in" in out
    (played,) = sound.played
    assert played.shape[1] == 2
    assert not played[:, 0].any()
    assert played[:, 1].any()


@pytest.mark.parametrize(
    ("refuses", "arguments", "words"),
    [
        ("input stream", ("--level",), "cannot be opened: Device unavailable"),
        ("input settings", ("--level",), "cannot do 48000 Hz with 6 inputs: Device unavailable"),
        ("output settings", ("--tone", "1"), "cannot do 48000 Hz with 1 outputs: Device unavailable"),
        ("playing", ("--tone", "1"), "cannot be opened: Device unavailable"),
        ("both ways", ("--loopback", "1", "1", "--yes"), "cannot be opened: Device unavailable"),
    ],
)
def test_what_cannot_be_opened_exits_2_with_its_name_and_why(
    run: Run, plug: Callable[..., Sound], refuses: str, arguments: tuple[str, ...], words: str
) -> None:
    plug(refuses=refuses)
    code, out, err = run("ports", *arguments)
    assert (code, out) == (2, "")
    assert f"Fjord 6, Stand-in {words}" in err.splitlines()[-1] or f"and Fjord 6, Stand-in {words}" in err


def test_a_live_stream_that_cannot_be_opened_says_which_and_what_helps(
    tmp_path: Path, plug: Callable[..., Sound]
) -> None:
    sound: Any = plug()

    def refuse(*_: Any, **__: Any) -> None:
        raise PortAudioError("Invalid number of channels")

    sound._ffi = SimpleNamespace(cast=lambda kind, value: value)
    sound._StreamBase = refuse
    routing = make_routing([1], [2])
    live = create(tmp_path / "memory", [("song", Rig())], rate=RATE, block_frames=64, routing=routing)
    with pytest.raises(InputError, match=r"cannot be opened with blocks of 64 frames at 48000 Hz .*try a larger block"):
        device_stream.DeviceStream(live)


@pytest.mark.parametrize("lost", [False, True])
def test_a_guided_take_from_an_interface_makes_the_rig_of_the_same_take(
    run: Run, plug: Callable[..., Sound], tmp_path: Path, lost: bool
) -> None:
    frames, rate = soundfile.read(OPEN_STRINGS)
    sound = plug(frames)
    sound.overflow = lost
    code, _, err = run(
        *("calibrate", "--live", "--rate", str(rate), "--keep", tmp_path / "kept.wav", "--out", tmp_path / "rig.toml")
    )
    assert code == 0, err
    assert ("The interface lost sound 1 times; better play again" in err) == lost
    kept = soundfile.read(tmp_path / "kept.wav")[0]
    np.testing.assert_array_equal(kept[: len(frames)], frames[: len(kept)].astype(np.float32))
    assert run("calibrate", tmp_path / "kept.wav", "--out", tmp_path / "again.toml")[0] == 0
    assert load_rig(tmp_path / "rig.toml") == load_rig(tmp_path / "again.toml")
