"""`thumbline ready` over a sound server: a guitar, a room, a module and a foot controller, all there or not."""

import os
import subprocess
import sys
from pathlib import Path

import pytest
import soundfile

from tests.cli.commands.test_live import RATE, make_take
from tests.helpers.client_apart import client_apart
from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.jack_stage import RIG, stage_apart

pytestmark = pytest.mark.real_time

#: A switch is pressed for 0.1 s every 0.7 s: against the take's loop of 3 s a press falls on every part of it in turn.
#: (With half a second on, half a second off it fell on the same notes each time, and "hold" may then keep one string
#: from ever having the bass.)
#: A foot controller whose switch 81 is pressed again and again.
FLOOR = """
import jack, sys, time
client = jack.Client("floor", no_start_server=True)
port = client.midi_outports.register("out")
@client.set_process_callback
def process(frames):
    port.clear_buffer()
    down = int(time.monotonic() / 0.1) % 7 == 0
    if down != client.last:
        client.last = down
        port.write_midi_event(0, (0xB0, 81, 127 * down))
client.last = False
client.activate()
print("ready", flush=True)
sys.stdin.read()
"""
FEET = """
foot_port = "floor"
[[feet]]
action = "hold"
number = 81
"""


def ready(server: JackServer, *arguments: str | Path) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "thumbline.cli", "ready", *map(str, arguments)]
    return subprocess.run(
        command,
        env=os.environ | server.environment,
        stdin=subprocess.DEVNULL,
        capture_output=True,
        text=True,
        timeout=100.0,
        check=False,
    )


def of_the_computer(line: str) -> bool:
    """A finding that a busy machine may give rise to."""
    return line.startswith(("computer:", "interface:", "sound system:", "battery:", "clock governor:", "keeper:"))


def test_strings_mutes_and_switches_that_are_there_are_ready(tmp_path: Path) -> None:
    take = tmp_path / "open.wav"
    soundfile.write(take, make_take(3.0, (6, 5, 4, 3, 2, 1)), RATE, subtype="FLOAT")
    (tmp_path / "rig.toml").write_text(RIG + FEET)
    with jack_server(tmp_path, client_timeout_ms=500) as server, stage_apart(server, take, tmp_path):
        with client_apart(server, FLOOR):
            done = ready(server, "--rig", tmp_path / "rig.toml", "--seconds", "60")  # it ends as soon as all is seen
        found = [line for line in done.stdout.splitlines() if not of_the_computer(line)]
        assert found in ([], ["ready"]), (done.stdout, done.stderr)
        assert done.stdout.strip(), done.stderr
        assert "Traceback" not in done.stderr
        assert (done.returncode == 0) == (found == ["ready"])
