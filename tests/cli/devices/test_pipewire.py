"""PipeWire: noticed, asked not to mix, and six strings pass through it in order."""

import socket
import sys
import tempfile
from collections.abc import Iterator
from difflib import SequenceMatcher
from pathlib import Path

import pytest
import soundfile

from tests.cli.commands.test_live import ORDER, RATE, make_take
from tests.cli.devices.test_audio_devices import device
from tests.helpers.live_process import LiveProcess
from tests.helpers.pipewire_server import INTERFACE, PERIOD, SINK, PipeWire, pipewire_server
from thumbline.cli.devices import pipewire

pytestmark = pytest.mark.real_time

COMMAND = [sys.executable, "-m", "thumbline.cli"]


@pytest.fixture
def runtime(monkeypatch: pytest.MonkeyPatch) -> Iterator[Path]:
    with tempfile.TemporaryDirectory() as folder:  # a socket's path must be short
        monkeypatch.setenv("XDG_RUNTIME_DIR", folder)
        for name in ("PIPEWIRE_RUNTIME_DIR", "PIPEWIRE_REMOTE"):
            monkeypatch.delenv(name, raising=False)
        yield Path(folder)


@pytest.mark.skipif(not hasattr(socket, "AF_UNIX"), reason="PipeWire has a Unix socket")
def test_it_runs_where_somebody_answers_on_its_socket(runtime: Path) -> None:
    assert not pipewire.is_running()
    with socket.socket(socket.AF_UNIX, socket.SOCK_STREAM) as server:
        server.bind(str(runtime / "pipewire-0"))
        assert not pipewire.is_running(), "a socket that nobody listens to"
        server.listen()
        assert pipewire.is_running()
        assert "pw-jack" in pipewire.advice([device(0, "pipewire", 64, 64)])
        assert pipewire.advice([device(0, "Fjord 8", 8, 4, pipewire.JACK)]) == ""
    assert pipewire.advice([device(0, "pipewire", 64, 64)]) == ""


@pytest.fixture(scope="module")
def server(tmp_path_factory: pytest.TempPathFactory) -> Iterator[PipeWire]:
    with tempfile.TemporaryDirectory() as folder, pipewire_server(Path(folder)) as server:
        yield server


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    soundfile.write(path, make_take(4.0), RATE, subtype="FLOAT")
    return path


def test_ports_says_that_it_runs_and_lists_interfaces_by_way_of_jack(server: PipeWire) -> None:
    assert "PipeWire runs: start with pw-jack" in server.run(*COMMAND, "ports")
    listed = server.run("pw-jack", *COMMAND, "ports")
    assert f"{INTERFACE}, {pipewire.JACK}: 6 in" in listed
    assert "start with pw-jack" not in listed


def test_six_strings_pass_through_it_in_order(server: PipeWire, take: Path) -> None:
    """By way of its JACK, as users start it; the real period is measured, and no channel is another's."""
    with LiveProcess(
        *("--input", INTERFACE, "--output", SINK, "--block", "64"),
        environment=server.environment,
        under=("pw-jack",),
    ) as live:
        heard_in_order(live, server, take)
        assert int(live.record.engine.period_frames) == PERIOD
        kinds = {event["kind"]: event["text"] for event in live.of_kind("fault")}
    assert f"{PERIOD} frames at a time" in kinds["period"]
    assert "alike" not in kinds


def test_its_device_for_alsa_programs_does_not_mix_either(server: PipeWire, take: Path) -> None:
    if "pipewire, ALSA" not in server.run(*COMMAND, "ports"):
        pytest.skip("needs PipeWire's plug-in for ALSA")
    with LiveProcess("--input", "pipewire", "--output", "pipewire", environment=server.environment) as live:
        heard_in_order(live, server, take)
        assert all(event["kind"] != "alike" for event in live.of_kind("fault"))


def heard_in_order(live: LiveProcess, server: PipeWire, take: Path) -> None:
    """Play the take; the bass goes through its strings as they are plucked.

    A busy machine loses blocks, which look like ends and plucks: a quarter may be lost, half as many may come twice.
    Were strings mixed, each would be heard on several.
    """
    live.wait_for("playing")
    with server.play(take) as player:
        player.wait(60.0)
    live.wait_for("handover", 12)
    found = [event["string"] for event in live.of_kind("handover") if event["string"]]
    plucked = [ORDER[place % len(ORDER)] for place in range(17)]
    same = sum(block.size for block in SequenceMatcher(None, plucked, found, autojunk=False).get_matching_blocks())
    assert same >= 13, found
    assert len(found) <= 1.5 * len(plucked), found
    assert set(found) == set(plucked)
