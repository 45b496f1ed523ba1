"""Twenty minutes of `thumbline live` over a private sound server: does anything grow, drift or get lost?

Run with::

    python -m tests.benchmarks.soak_live [SECONDS]

A guitar plays the demo take over and over to a synchronous server, which waits for everyone, so that no MIDI message
can be lost but by live itself. Every ten seconds a line is printed: memory of each process, blocks in which the server
told of trouble (whoever was the cause), and blocks that live worked on for longer than they last. At the end:

* *memory*: what each process has gained since the first minute (or tenth, if shorter), in KiB;
* *drift*: the take is a whole number of analysis steps long, so the same note comes at the same place in each round, to
  the frame; printed is the greatest deviation of a pluck from the nearest place of the first round;
* *messages*: how many the keeper says it has sent, and how many have arrived;
* *told*: what the player was told of faults, if a process has died, too.

Exit code 1 if memory has grown by more than 2 MiB, a pluck is more than a frame off or none could be compared, or a
message was lost.
"""

import json
import os
import shutil
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.helpers.jack_server import jack_server
from tests.helpers.jack_stage import Stage
from tests.helpers.places import DEMO
from thumbline.cli.shared.live_memory import attach
from thumbline.dsp.memory.events import PLUCK, take_events
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP

#: Frames a hop at 48 kHz: the take is cut to a whole number of these and of blocks.
STEP = 4 * HOP * 64
GROWTH_KIB, LOOK_S = 2048, 10.0


def main() -> None:
    """Soak, and leave with the exit code."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 1200.0
    take = np.asarray(soundfile.read(DEMO)[0], np.float64)
    take = take[: len(take) // STEP * STEP]
    with (
        tempfile.TemporaryDirectory() as folder,
        jack_server(Path(folder), synchronous=True) as server,
        Stage(server.name, take, Path(folder)) as stage,
    ):
        command = [sys.executable, "-m", "thumbline.cli", "live", "--rig", str(stage.rig), "--sound", "--json"]
        said = Path(folder) / "said.jsonl"
        with (
            said.open("wb") as out,
            subprocess.Popen(command, env=os.environ | server.environment, stdout=out, stderr=out) as console,
        ):
            try:
                code = soak(console.pid, said, stage, seconds)
            finally:
                print(*notices(said), sep="\n", flush=True)
                console.terminate()
                console.wait(10.0)
                server.end()
        sys.stdout.flush()
        # Not through the stage's end: a client of a synchronous server that has gone waits for it for ever.
        shutil.rmtree(folder, ignore_errors=True)
        os._exit(code)


def notices(said: Path) -> list[str]:
    """What the player was told of faults and recoveries, one line each."""
    events = [json.loads(line) for line in said.read_text().splitlines() if line.startswith("{")]
    return [f"told: {event}" for event in events if event["event"] in ("fault", "recovered", "stop")]


def soak(console: int, said: Path, stage: Stage, seconds: float) -> int:
    """Watch a running live, whose console has this process number, for so many seconds."""
    while not (lines := [line for line in said.read_text().splitlines() if line.startswith("{")]):
        time.sleep(0.1)
    live = attach(Path(json.loads(lines[0])["memory"]))
    while float(live.engine.sound) < 1.0:
        time.sleep(0.1)
    stage.go = True
    begun = time.monotonic()
    pids = {"console": console, "engine": int(live.engine.pid), "keeper": int(live.keeper.pid)}
    read, plucks, memory = int(live.engine.events), [], []
    next_look = begun
    while time.monotonic() < begun + seconds:
        time.sleep(0.25)
        events, read = take_events(live.state, read)
        plucks += [(int(e["frame"]), int(e["string"])) for e in events[events["kind"] == PLUCK]]
        if time.monotonic() >= next_look:
            next_look += LOOK_S
            memory.append([resident_kib(pid) for pid in pids.values()])
            engine = live.engine
            print(
                f"{time.monotonic() - begun:6.0f} s  KiB {memory[-1]}  missed {engine.missed}  late {engine.late}",
                flush=True,
            )
    return report(live, stage, pids, memory, plucks)


def resident_kib(pid: int) -> int:
    """Memory of a process, without what it shares with others."""
    text = Path(f"/proc/{pid}/status").read_text()
    return next(int(line.split()[1]) for line in text.splitlines() if line.startswith("RssAnon"))


def report(live: Record, stage: Stage, pids: dict[str, int], memory: list[Any], plucks: list[tuple[int, int]]) -> int:
    """Print what was found."""
    settled = min(6, len(memory) // 10)
    growth = {name: memory[-1][n] - memory[settled][n] for n, name in enumerate(pids)}
    first = plucks[0][0]
    rounds = [((frame - first) // stage.length, (frame - first) % stage.length, string) for frame, string in plucks]
    known = {string: np.array([at for turn, at, s in rounds if turn == 0 and s == string]) for _, _, string in rounds}
    offs = []
    for turn, at, string in rounds:
        if turn >= 1 and len(known[string]):
            apart = np.abs(known[string] - at)
            offs.append(int(np.minimum(apart, stage.length - apart).min()))
    live.request.all_open = 1
    time.sleep(1.0)
    sent, arrived = int(live.keeper.sent), len(stage.module.messages)
    same = pids["engine"] == int(live.engine.pid) and pids["keeper"] == int(live.keeper.pid)
    print(f"memory: {growth} KiB; the same processes all along: {same}")
    print(f"drift: {max(offs, default=0)} frames at most of {len(offs)} plucks")
    print(f"messages: {sent} sent, {arrived} arrived; blocks missed {live.engine.missed}, late {live.engine.late}")
    return int(max(growth.values()) > GROWTH_KIB or not offs or max(offs) > 1 or arrived != sent)


if __name__ == "__main__":
    main()
