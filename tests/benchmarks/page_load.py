"""Blocks missed and late with and without the stage page and four screens, by turns, over a private sound server.

    python -m tests.benchmarks.page_load [SECONDS] [TURNS]

A guitar plays the demo take to `thumbline live`, blocks of 64 frames, SECONDS (30) with nothing else, then as long with
`--page` and four screens that read and answer as browsers do (at the lowest priority, as phones take nothing from this
machine), TURNS (3) times each. Printed are blocks served, missed (as the server reports), late (work longer than the
block), the work of a block, and the processor time of the page's process.
"""

import os
import statistics
import subprocess
import sys
import tempfile
import threading
import time
from contextlib import suppress
from pathlib import Path
from typing import Any

import numpy as np
import soundfile

from tests.helpers.jack_server import JackServer, jack_server
from tests.helpers.jack_stage import StageApart, stage_apart
from tests.helpers.live_process import LiveProcess, wait_until
from tests.helpers.page_room import ScreenByHand, free_port
from tests.helpers.places import DEMO

SCREENS = 4
SETTLE_S = 3.0


def main() -> None:
    """Play by turns, and print the table."""
    seconds = float(sys.argv[1]) if len(sys.argv) > 1 else 30.0
    turns = int(sys.argv[2]) if len(sys.argv) > 2 else 3
    sound = np.asarray(soundfile.read(DEMO)[0], np.float64)
    rows: dict[bool, list[dict[str, float]]] = {False: [], True: []}
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        soundfile.write(folder / "take.wav", sound, 48_000)
        for turn in range(2 * turns):
            with_page = bool(turn % 2)
            with jack_server(folder, period=64) as server, stage_apart(server, folder / "take.wav", folder) as stage:
                row = one_turn(server, stage, seconds, with_page=with_page)
            rows[with_page].append(row)
            load = os.getloadavg()[0]
            print(
                f"{'page, four screens' if with_page else 'nothing else':20}{_told(row)}  load {load:.1f}", flush=True
            )
    for with_page, told in rows.items():
        sums = {name: statistics.median(row[name] for row in told) for name in told[0]}
        print(f"median, {'with' if with_page else 'without'}: {_told(sums)}")


def one_turn(server: JackServer, stage: StageApart, seconds: float, *, with_page: bool) -> dict[str, float]:
    """Play for so long; return the figures of the second part, when everything had started."""
    port = free_port()
    page = ("--page", f"127.0.0.1:{port}") if with_page else ()
    with LiveProcess("--rig", stage.rig, "--block", "64", *page, environment=server.environment) as live:
        live.wait_for("playing")
        engine = live.record.engine
        wait_until(lambda: engine.sound == 1.0, "sound")
        screens = [ScreenByHand(port, code=_code(live, n)) for n in range(SCREENS if with_page else 0)]
        for screen in screens:
            threading.Thread(target=keep_up, args=(screen,), daemon=True).start()
        wait_until(lambda: all(live.record.keeper.standby_warm), "those who stand by")
        time.sleep(SETTLE_S)
        pid = _page_pid(live) if with_page else 0
        before, bins, cpu = _counts(engine), np.array(engine.work_bins), _cpu_s(pid)
        time.sleep(seconds)
        after, new = _counts(engine), np.array(engine.work_bins) - bins
        row = {key: float(after[key] - before[key]) for key in after}
        row |= {"work us": _median_us(new), "page %": 100.0 * (_cpu_s(pid) - cpu) / seconds}
        for screen in screens:
            with suppress(Exception):  # its thread reads from it
                screen.close()
    return row


def _code(live: LiveProcess, used: int) -> str:
    """The code that lets one more screen in after so many."""
    return str(live.wait_for("page", used + 1)["code"])


def _counts(engine: Any) -> dict[str, int]:
    return {"blocks": int(engine.blocks), "missed": int(engine.missed), "late": int(engine.late)}


def _median_us(bins: np.ndarray) -> float:
    """The upper edge of the bin of the median, in microseconds (bins a quarter octave wide from 1 us on)."""
    total = np.cumsum(bins)
    return float(2.0 ** ((np.searchsorted(total, 0.5 * total[-1]) + 1) / 4.0))


def _page_pid(live: LiveProcess) -> int:
    words = ["pgrep", "-f", f"thumbline.cli.page {live.memory}"]
    return int(subprocess.run(words, capture_output=True, text=True, check=True).stdout.split()[0])


def _cpu_s(pid: int) -> float:
    """Processor time that a process has used, in seconds (proc(5))."""
    if not pid:
        return 0.0
    fields = Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()
    return (int(fields[11]) + int(fields[12])) / os.sysconf("SC_CLK_TCK")


def keep_up(screen: ScreenByHand) -> None:
    """Read every view, and say that it has come, until the run is over."""
    if hasattr(os, "setpriority"):
        os.setpriority(os.PRIO_PROCESS, threading.get_native_id(), 19)  # a phone takes nothing from this machine
    with suppress(Exception):  # the run is over
        while True:
            screen.view()


def _told(row: dict[str, float]) -> str:
    return "  ".join(f"{name} {value:.0f}" if value >= 10 else f"{name} {value:.1f}" for name, value in row.items())


if __name__ == "__main__":
    main()
