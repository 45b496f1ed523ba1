"""The table of faults: for each, how long every string of the sound module takes to be open, at a receiver apart.

    python -m tests.benchmarks.fault_table [--times N] [--rows WORDS]

`thumbline live` plays a take; its MIDI goes through a JACK server of its own with the client time-out that JACK has by
default (500 ms) to a receiver in a process of its own. All strings but one are muted when the fault is made. `--rows`
runs the rows whose name has these words in it.
"""

import argparse
import os
import signal
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

import soundfile

from tests.cli.commands.test_live import RATE, make_take
from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.live_process import LiveProcess, alive, wait_until
from tests.helpers.midi_receiver import Receiver
from thumbline.dsp.memory.record_type import Record

#: A fault whose strings are not open by then is one of those that last "for ever", in seconds.
EVER_S = 8.0
#: The row of each promise says how long it may take, in seconds; where the server itself waits for dead clients, its
#: client time-out is added.
PROMISE_S, TIMEOUT_S = 0.25, 0.5
RIG = '[midi]\nport = "{port}"\nresend_s = 0.0\n'
FEET = '[[feet]]\naction = "hold"\nnumber = 64\n'


class Scene:
    """A server, a module, and `thumbline live` that mutes five of its strings."""

    def __init__(self, server: JackServer, folder: Path, take: Path, *, own: bool = False, feet: bool = False):
        self.server, self.folder = server, folder
        self.module = Receiver(server.name)
        rig = folder / "rig.toml"
        rig.write_text(RIG.format(port="" if own else "module:in") + (FEET if feet else ""))
        self.live = LiveProcess("--rig", rig, "--take", take, environment=server.environment)
        self.own, self.feet = own, feet

    def settle(self) -> None:
        """Wait until five strings are muted and everybody stands by."""
        keeper = self.keeper
        if self.own and not keeper.port_present:
            wait_until(lambda: bytes(keeper.port), "our own port", 30.0)
            environment = os.environ | self.server.environment
            subprocess.run(
                ["jack_connect", bytes(keeper.port).decode(), "module:in"],
                env=environment,
                check=False,
                stderr=subprocess.DEVNULL,
            )
        wait_until(lambda: len(self.module.muted) == 5, "five muted strings", 60.0)
        wait_until(lambda: all(keeper.standby_warm), "those who stand by", 60.0)
        if self.feet:
            wait_until(lambda: keeper.feet_pid and alive(int(keeper.feet_pid)), "feet", 30.0)
        time.sleep(0.3)
        wait_until(lambda: len(self.module.muted) == 5, "five muted strings", 60.0)

    @property
    def keeper(self) -> Record:
        return self.live.record.keeper

    def end(self) -> None:
        self.live.__exit__(None, None, None)
        self.module.close()
        memory = str(Path(self.live.of_kind("start")[0]["memory"])) if self.live.of_kind("start") else "no memory"
        left = subprocess.run(["pgrep", "-f", memory], capture_output=True, text=True, check=False).stdout.split()
        for pid in left:
            with suppress(ProcessLookupError):
                os.kill(int(pid), signal.SIGKILL)


@contextmanager
def scene(take: Path, **kind: bool) -> Iterator[Scene]:
    with tempfile.TemporaryDirectory() as name, jack_server(Path(name), client_timeout_ms=500) as server:
        made = Scene(server, Path(name), take, **kind)
        try:
            yield made
        finally:
            made.end()


def hit(number: int, *pids: int) -> None:
    for pid in pids:
        with suppress(ProcessLookupError):
            os.kill(int(pid), number)


KILL, STOP, TERM, INT, HUP = signal.SIGKILL, signal.SIGSTOP, signal.SIGTERM, signal.SIGINT, signal.SIGHUP


def opened_ms(scene: Scene, fault: Callable[[Scene], object]) -> float:
    """Make a fault; milliseconds until every string was open, infinite for never."""
    at = time.monotonic()
    fault(scene)
    while scene.module.opened_at(at) is None and time.monotonic() - at < EVER_S:
        time.sleep(0.005)
    opened = scene.module.opened_at(at)
    return float("inf") if opened is None else 1e3 * (opened - at)


def engine(scene: Scene) -> int:
    return int(scene.live.record.engine.pid)


def charged(scene: Scene) -> int:
    return int(scene.keeper.pid)


def behind(scene: Scene) -> list[int]:
    return [int(pid) for pid in scene.keeper.standby_pid]


def console(scene: Scene) -> int:
    return scene.live.process.pid


#: Name, whether the session goes on afterwards, what the scene has, whether the server waits, and the fault.
ROWS: list[tuple[str, bool, dict[str, bool], bool, Callable[[Scene], object]]] = [
    ("engine SIGKILL", True, {}, False, lambda s: hit(KILL, engine(s))),
    ("engine SIGSTOP", True, {}, False, lambda s: hit(STOP, engine(s))),
    ("engine SIGTERM", True, {}, False, lambda s: hit(TERM, engine(s))),
    ("keeper SIGKILL", True, {}, False, lambda s: hit(KILL, charged(s))),
    ("keeper SIGSTOP", True, {}, False, lambda s: hit(STOP, charged(s))),
    ("keeper SIGTERM", True, {}, False, lambda s: hit(TERM, charged(s))),
    ("keeper SIGKILL, port of its own", True, {"own": True}, False, lambda s: hit(KILL, charged(s))),
    ("keeper SIGSTOP, port of its own", True, {"own": True}, False, lambda s: hit(STOP, charged(s))),
    ("keeper SIGKILL with feet", True, {"feet": True}, False, lambda s: hit(KILL, charged(s))),
    ("keeper SIGSTOP with feet", True, {"feet": True}, False, lambda s: hit(STOP, charged(s))),
    (
        "one stand-by SIGSTOP, keeper SIGKILL",
        True,
        {},
        True,
        lambda s: (hit(STOP, behind(s)[0]), hit(KILL, charged(s))),
    ),
    ("all stand-bys SIGSTOP", True, {}, False, lambda s: hit(STOP, *behind(s))),
    ("keeper and one stand-by SIGKILL", True, {}, True, lambda s: hit(KILL, charged(s), behind(s)[0])),
    ("engine and keeper SIGKILL", True, {}, True, lambda s: hit(KILL, engine(s), charged(s))),
    ("console SIGKILL", False, {}, False, lambda s: hit(KILL, console(s))),
    ("console SIGSTOP", False, {}, False, lambda s: hit(STOP, console(s))),
    ("console SIGTERM", False, {}, False, lambda s: hit(TERM, console(s))),
    ("console SIGINT", False, {}, False, lambda s: hit(INT, console(s))),
    ("console SIGHUP", False, {}, False, lambda s: hit(HUP, console(s))),
    ("console and engine SIGKILL", False, {}, False, lambda s: hit(KILL, console(s), engine(s))),
    ("console and keeper SIGKILL", False, {}, True, lambda s: hit(KILL, console(s), charged(s))),
    ("keeper SIGSTOP, console SIGKILL", False, {}, True, lambda s: (hit(STOP, charged(s)), hit(KILL, console(s)))),
    (
        "console, keeper and one stand-by SIGKILL",
        False,
        {},
        True,
        lambda s: hit(KILL, console(s), charged(s), behind(s)[0]),
    ),
]


def run(take: Path, times: int, words: str) -> bool:
    kept = True
    print("| fault | n | median | worst | verdict |\n|---|---|---|---|---|", flush=True)
    for name, goes_on, kind, server_waits, fault in ROWS:
        if words not in name:
            continue
        found: list[float] = []
        for _ in range(1 if goes_on else times):
            with scene(take, **kind) as made:
                for _ in range(times if goes_on else 1):
                    made.settle()
                    found.append(opened_ms(made, fault))
        limit = 1e3 * (PROMISE_S + TIMEOUT_S * server_waits)
        fits = max(found) <= limit
        kept &= fits
        verdict = "kept" if fits else f"broken {sum(ms > limit for ms in found)} times"
        print(f"| {name} | {len(found)} | {statistics.median(found):.0f} | {max(found):.0f} | {verdict} |", flush=True)
    return kept


def main() -> None:
    parser = argparse.ArgumentParser()
    parser.add_argument("--times", type=int, default=6)
    parser.add_argument("--rows", default="")
    wanted = parser.parse_args()
    with tempfile.TemporaryDirectory() as folder:
        take = Path(folder) / "take.wav"
        soundfile.write(take, make_take(300.0), RATE, subtype="FLOAT")
        sys.exit(0 if run(take, wanted.times, wanted.rows) else 1)


if __name__ == "__main__":
    main()
