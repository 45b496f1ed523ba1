"""Twenty minutes of `thumbline live` over a private sound server: does anything grow, drift or get lost?

Run with::

    python -m tests.benchmarks.soak_live [SECONDS [--keep] [--page]]

With `--keep` what is played is kept as well, with `--page` four screens watch the stage page.

A guitar, in a process of its own, plays the demo take over and over to a synchronous server, which waits for everyone,
so that no MIDI message can be lost but by live itself. Every ten seconds a line is printed: memory of each process,
blocks in which the server told of trouble (whoever was the cause), and blocks that live worked on for longer than they
last. At the end:

* *memory*: what each process has gained since the first minute (or tenth, if shorter), and in the second half alone, in
  KiB; what has levelled off gains next to nothing in the second half;
* *drift*: the take is a whole number of analysis steps long, so the same note comes at the same place in each round, to
  the frame; printed is the greatest deviation of a pluck from the nearest place of the first round;
* *messages*: how many the keeper says it has sent, and how many have arrived;
* *told*: what the player was told of faults, and processes that have died or come.

Exit code 1 if the memory of a process has grown by more than 2 MiB, a pluck is more than a frame off or none could be
compared, a message was lost, or a process.
"""

import json
import os
import subprocess
import sys
import tempfile
import threading
import time
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.benchmarks.page_load import SCREENS, keep_up
from tests.helpers.jack_server import jack_server
from tests.helpers.jack_stage import StageApart, stage_apart
from tests.helpers.page_room import ScreenByHand, free_port
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
    take, rate = soundfile.read(DEMO)
    take = np.asarray(take, np.float64)
    take = take[: len(take) // STEP * STEP]
    with tempfile.TemporaryDirectory() as name, jack_server(Path(name), synchronous=True) as server:
        folder = Path(name)
        soundfile.write(folder / "take.wav", take, rate, subtype="FLOAT")
        with stage_apart(server, folder / "take.wav", folder) as stage:
            command = [sys.executable, "-m", "thumbline.cli", "live", "--rig", str(stage.rig), "--sound", "--json"]
            port = free_port()
            command += ["--keep", str(folder / "gig")] if "--keep" in sys.argv else []
            command += ["--page", f"127.0.0.1:{port}"] if "--page" in sys.argv else []
            said = folder / "said.jsonl"
            with (
                said.open("wb") as out,
                subprocess.Popen(command, env=os.environ | server.environment, stdout=out, stderr=out) as console,
            ):
                try:
                    if "--page" in sys.argv:
                        threading.Thread(target=watch, args=(said, port), daemon=True).start()
                    code = soak(console, said, stage, len(take), seconds)
                finally:
                    console.terminate()
                    console.wait(10.0)
            server.end()
    sys.exit(code)


def told(said: Path, *kinds: str) -> list[dict[str, Any]]:
    """Return what the run has said so far, of some kinds of events."""
    events = [json.loads(line) for line in said.read_text().splitlines() if line.startswith("{") and line.endswith("}")]
    return [event for event in events if event["event"] in kinds]


def watch(said: Path, port: int) -> None:
    """Let the screens in, each by the code that comes after the one before, and have them keep up."""
    for used in range(SCREENS):
        while len(codes := told(said, "page")) <= used:
            time.sleep(0.1)
        screen = ScreenByHand(port, code=str(codes[used]["code"]))
        threading.Thread(target=keep_up, args=(screen,), daemon=True).start()


class Processes:
    """The processes of a run: who is there, and what memory each has that it shares with nobody."""

    def __init__(self, live: Record, console: int):
        self.names = {
            console: "console",
            int(live.engine.pid): "engine",
            **{pid: "spare engine" for pid in _children(console, "thumbline.cli.engine") if pid != live.engine.pid},
            int(live.keeper.pid): "keeper",
            **{int(pid): f"stand-by {place}" for place, pid in enumerate(live.keeper.standby_pid, 1)},
            **dict.fromkeys(_children(console, "thumbline.cli.recorder"), "recorder"),
            **dict.fromkeys(_children(console, "thumbline.cli.page"), "page"),
        }

    def resident_kib(self) -> dict[str, int]:
        """Memory of each, in KiB; one that has gone is left out."""
        return {name: kib for pid, name in self.names.items() if (kib := _resident_kib(pid))}


def _children(parent: int, module: str) -> list[int]:
    found = subprocess.run(["pgrep", "-P", str(parent), "-f", module], capture_output=True, text=True, check=False)
    return [int(word) for word in found.stdout.split()]


def _resident_kib(pid: int) -> int:
    try:
        text = Path(f"/proc/{pid}/status").read_text()
    except OSError:
        return 0
    return next((int(line.split()[1]) for line in text.splitlines() if line.startswith("RssAnon")), 0)


def soak(console: "subprocess.Popen[bytes]", said: Path, stage: StageApart, length: int, seconds: float) -> int:
    """Watch a running live for so many seconds."""
    while not (lines := [line for line in said.read_text().splitlines() if line.startswith("{")]):
        time.sleep(0.1)
    live = attach(Path(json.loads(lines[0])["memory"]))
    folder = Path(json.loads(lines[0])["memory"]).parent
    while float(live.engine.sound) < 1.0 or not (all(live.keeper.standby_warm) and any(folder.glob("warm-*"))):
        assert console.poll() is None, said.read_text()
        time.sleep(0.1)
    begun = time.monotonic()
    processes = Processes(live, console.pid)
    read, plucks, memory = int(live.engine.events), [], []
    next_look = begun
    while time.monotonic() < begun + seconds:
        time.sleep(0.25)
        events, read = take_events(live.state, read)
        plucks += [(int(e["frame"]), int(e["string"])) for e in events[events["kind"] == PLUCK]]
        if time.monotonic() >= next_look:
            next_look += LOOK_S
            memory.append(processes.resident_kib())
            engine = live.engine
            print(
                f"{time.monotonic() - begun:6.0f} s  KiB {memory[-1]}  missed {engine.missed}  late {engine.late}",
                flush=True,
            )
    print(*(f"told: {event}" for event in told(said, "fault", "recovered")), sep="\n", flush=True)
    return report(live, stage, length, processes, memory, plucks)


def report(
    live: Record,
    stage: StageApart,
    length: int,
    processes: Processes,
    memory: list[dict[str, int]],
    plucks: list[tuple[int, int]],
) -> int:
    """Print what was found."""
    settled, half = memory[min(6, len(memory) // 10)], memory[len(memory) // 2]
    names = list(processes.names.values())
    lost = [name for name in names if name not in memory[-1]]
    come = sorted({int(live.engine.pid), int(live.keeper.pid), *map(int, live.keeper.standby_pid)} - {*processes.names})
    growth = {name: (kib - settled[name], kib - half[name]) for name, kib in memory[-1].items()}
    offs = deviations(plucks, length)
    live.request.all_open = 1
    time.sleep(1.0)
    sent = int(live.keeper.sent)
    _, messages = stage.finish()
    print(f"memory, KiB since the beginning and in the second half: {growth}")
    print(f"processes: {len(names)} at the beginning; lost {lost or 'none'}, come {come or 'none'}")
    print(f"drift: {max(offs, default=0)} frames at most of {len(offs)} plucks")
    blocks = f"blocks {live.engine.blocks}, missed {live.engine.missed}, late {live.engine.late}"
    print(f"messages: {sent} sent, {len(messages)} arrived; {blocks}")
    grown = max(since for since, _ in growth.values()) > GROWTH_KIB
    return int(grown or bool(lost or come) or not offs or max(offs) > 1 or len(messages) != sent)


def deviations(plucks: list[tuple[int, int]], length: int) -> list[int]:
    """Frames from each pluck to the nearest of its string in the first round of a take of so many frames."""
    first = plucks[0][0]
    rounds = [((frame - first) // length, (frame - first) % length, string) for frame, string in plucks]
    known: dict[int, Any] = {
        string: np.array([at for turn, at, s in rounds if turn == 0 and s == string]) for _, _, string in rounds
    }
    offs = []
    for turn, at, string in rounds:
        if turn >= 1 and len(known[string]):
            apart = np.abs(known[string] - at)
            offs.append(int(np.minimum(apart, length - apart).min()))
    return offs


if __name__ == "__main__":
    main()
