"""`thumbline ready --loopback` over a sound server: a cable of known length, no cable, nobody who can press Enter."""

import re
from collections.abc import Callable
from pathlib import Path

import pytest

from tests.cli.commands.test_ready import ready
from tests.helpers.client_apart import client_apart
from tests.helpers.jack_server import jack_server

pytestmark = pytest.mark.real_time

PERIOD = 256
RIG = """
[live]
input = "box"
output = "box"
[mutes]
modules = []
"""


#: An interface of six silent inputs; a cable of so many frames goes from its output 1 to its input 6.
BOX = """
import sys
import jack
import numpy as np
delay, gain = int(sys.argv[1]), float(sys.argv[2])
client = jack.Client("box", no_start_server=True)
outs = [client.outports.register(f"in {n + 1}") for n in range(6)]
ins = [client.inports.register(f"out {n + 1}") for n in range(2)]
kept = np.zeros(delay, np.float32)
@client.set_process_callback
def process(frames):
    global kept
    for out in outs[:5]:
        out.get_array()[:] = 0.0
    waiting = np.concatenate([kept, np.float32(gain) * ins[0].get_array()])
    outs[5].get_array()[:], kept = waiting[:frames], waiting[frames:]
client.activate()
print("ready", flush=True)
sys.stdin.read()
"""


ROUND_TRIP = re.compile(r"^Round trip: (\d+) frames, ([0-9.]+) ms$", re.MULTILINE)


def test_a_cable_is_measured_and_a_missing_one_is_told(tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    arguments = ("--rig", tmp_path / "rig.toml", "--loopback", "1", "6", "--block", str(PERIOD), "--seconds", "1")
    found = {}
    with jack_server(tmp_path, period=PERIOD, client_timeout_ms=500) as server:
        for delay in (0, 1000):
            with client_apart(server, BOX, str(delay), "-0.5"):
                done, measured = ready(server, *arguments, "--yes"), None
                for _ in range(4):  # lost blocks of a busy machine shift what comes back, which is found out
                    measured = ROUND_TRIP.search(done.stderr)
                    if measured:
                        break
                    done = ready(server, *arguments, "--yes")
            assert measured, done.stderr
            found[delay] = int(measured[1])
            assert float(measured[2]) == pytest.approx(found[delay] / 48.0, abs=0.01)
            assert "phantom power (48 V) and direct monitoring of input 6 off" in done.stderr
            assert not re.search("^round trip", done.stdout, re.MULTILINE)
            assert done.returncode == 1, "nobody played"
        with client_apart(server, BOX, "0", "0.0"):
            done = ready(server, *arguments, "--yes")
    # The callback of a client is called once per period: what it passes on comes a whole number of periods later.
    assert found[1000] - found[0] in range(1000 - PERIOD, 1000 + PERIOD + 1, PERIOD)
    assert "round trip: nothing played on output 1 came back on input 6; is the cable there?" in done.stdout
    assert done.returncode == 1


def test_it_waits_for_enter_before_anything_is_played(run: Callable[..., tuple[int, str, str]], tmp_path: Path) -> None:
    (tmp_path / "rig.toml").write_text(RIG)
    code, out, err = run("ready", "--rig", tmp_path / "rig.toml", "--loopback", "1", "6")
    assert (code, out) == (2, "")
    assert "nobody can press Enter here; accepted: a terminal, or --yes" in err
