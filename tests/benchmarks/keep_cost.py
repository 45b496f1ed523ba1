"""What recording an evening costs the sound: missed and late blocks of `thumbline live` with and without ``--keep``.

Run with::

    python -m tests.benchmarks.keep_cost [SECONDS [PAIRS]]

A guitar plays the demo take over and over to a server that waits for nobody; runs with and without ``--keep`` take
turns, so that both see the same computer. Counted from five seconds after the sound is there. Printed per run: blocks,
missed and late ones, time worked per block (median, 99.9 %, worst), seconds lost by the recorder, load of the computer;
at the end the sums of both kinds.

Exit code 1 if runs that record have missed or late blocks in more than twice the share of the others and ten more.
"""

import json
import os
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import NamedTuple

import numpy as np
import soundfile

from tests.helpers.jack_server import jack_server
from tests.helpers.jack_stage import Stage
from tests.helpers.places import DEMO
from thumbline.cli.console.reports import summary
from thumbline.cli.shared.live_memory import attach

#: Before counting begins, in seconds.
SETTLING_S = 5.0


class Count(NamedTuple):
    """What one run has counted."""

    blocks: int
    missed: int
    late: int


def main() -> None:
    """Run all, and leave with the exit code."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 60.0
    pairs = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    counts: dict[bool, list[Count]] = {False: [], True: []}
    for turn in range(2 * pairs):
        kept = turn % 4 in (1, 2)  # without, with, with, without: what drifts weighs on both alike
        counts[kept].append(one_run(seconds, kept=kept))
    sums = {kept: Count(*np.sum(each, axis=0).tolist()) for kept, each in counts.items()}
    for kept, each in sums.items():
        print(f"{'with' if kept else 'without'} --keep: {each.missed} missed and {each.late} late of {each.blocks}")
    most = 2 * (sums[False].missed + sums[False].late) * sums[True].blocks / max(sums[False].blocks, 1) + 10
    os._exit(int(sums[True].missed + sums[True].late > most))


def one_run(seconds: float, *, kept: bool) -> Count:
    """Play for so long; print and return what was counted."""
    take = np.asarray(soundfile.read(DEMO)[0], np.float64)
    with (
        tempfile.TemporaryDirectory() as name,
        jack_server(Path(name)) as server,
        Stage(server.name, take, Path(name)) as stage,
    ):
        folder, said = Path(name) / "gig", Path(name) / "said.jsonl"
        command = [sys.executable, "-m", "thumbline.cli", "live", "--rig", str(stage.rig), "--sound", "--json"]
        command += ["--keep", str(folder)] if kept else []
        with (
            said.open("wb") as out,
            subprocess.Popen(command, env=os.environ | server.environment, stdout=out, stderr=out) as console,
        ):
            try:
                while not (lines := [line for line in said.read_text().splitlines() if line.startswith("{")]):
                    time.sleep(0.1)
                live = attach(Path(json.loads(lines[0])["memory"]))
                while float(live.engine.sound) < 1.0:
                    time.sleep(0.1)
                stage.go = True
                time.sleep(SETTLING_S)
                before = summary(live)
                time.sleep(seconds)
                after = summary(live)
                lost_s = float(live.recorder.lost) / float(live.engine.rate)
            finally:
                console.terminate()
                console.wait(20.0)
        size_mb = sum(path.stat().st_size for path in folder.iterdir()) / 1e6 if kept else 0.0
    count = Count(after.blocks - before.blocks, after.missed - before.missed, after.late - before.late)
    print(
        f"{'with   ' if kept else 'without'}: {count.blocks} blocks, {count.missed} missed, {count.late} late; work "
        f"{after.work_median_ms:.3f}, {after.work_p999_ms:.3f}, {after.work_worst_ms:.3f} ms; lost {lost_s:.2f} s; "
        f"{size_mb:.0f} MB; load {os.getloadavg()[0]:.1f}",
        flush=True,
    )
    return count


if __name__ == "__main__":
    main()
