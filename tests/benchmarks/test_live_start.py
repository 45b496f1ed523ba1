"""How long `thumbline live` takes from the command to its first sound, beside the bare loading of a library it needs.

Through a private sound server (jackd), on a machine that has run it before. The ratio of the two is what can be told
of another machine.
"""

import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from tests.helpers.jack_server import jack_server
from tests.helpers.jack_stage import stage_apart
from tests.helpers.live_process import LiveProcess, wait_until

RUNS, RATE = 9, 48_000


@pytest.mark.benchmark(group="start")
def test_from_the_command_to_the_first_sound(benchmark: Any, tmp_path: Path) -> None:
    import soundfile

    take = tmp_path / "take.wav"
    soundfile.write(take, np.zeros((RATE, 6)), RATE)
    running: list[LiveProcess] = []

    def end() -> None:
        while running:
            running.pop().__exit__()

    with jack_server(tmp_path, period=64) as server, stage_apart(server, take, tmp_path) as stage:

        def start() -> None:
            live = LiveProcess("--rig", stage.rig, "--block", "64", environment=server.environment)
            running.append(live)
            live.wait_for("playing")
            wait_until(lambda: live.record.engine.sound > 0.0, "sound")

        benchmark.pedantic(start, setup=end, rounds=RUNS, warmup_rounds=1)
        end()


@pytest.mark.benchmark(group="start")
def test_loading_numba_and_scipy_alone(benchmark: Any) -> None:
    command = [sys.executable, "-c", "import numba, scipy.signal"]
    benchmark.pedantic(lambda: subprocess.run(command, check=True), rounds=RUNS, warmup_rounds=1)
