"""`thumbline live --page`: what is touched is done, and nothing that befalls the page touches play."""

import os
import signal
import subprocess
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from pathlib import Path
from typing import Self

import numpy as np
import pytest
import soundfile

from tests.cli.commands.test_live import RATE, make_take
from tests.helpers.jack_server import jack_server
from tests.helpers.lateness import longest_late_s, watched
from tests.helpers.live_process import LiveProcess, alive, wait_until
from tests.helpers.midi_receiver import Receiver
from tests.helpers.page_room import ScreenByHand, a_flood, free_port
from thumbline.dsp.memory.record_type import Record

pytestmark = pytest.mark.real_time

Run = Callable[..., tuple[int, str, str]]
SONGS = """
[[songs]]
name = "Slack Water"
[[songs]]
name = "Lantern Walk"
bass = { interval = -24 }
"""
#: A keeper takes a console that has not beaten for so long for dead, and an engine without a block, in seconds.
CONSOLE_S, ENGINE_S = 0.15, 0.1


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    path = tmp_path_factory.mktemp("takes") / "take.wav"
    sound = make_take(8.0)
    soundfile.write(path, np.concatenate([sound] * 15), RATE, subtype="FLOAT")
    return path


@contextmanager
def paged(
    folder: Path, take: Path, *more: str, environment: Mapping[str, str] | None = None
) -> Iterator[tuple[LiveProcess, int, ScreenByHand]]:
    (folder / "songs.toml").write_text(SONGS)
    port = free_port()
    watched()
    arguments = ("--set", folder / "songs.toml", "--take", take, "--page", f"127.0.0.1:{port}", *more)
    with LiveProcess(*arguments, environment=environment) as live:
        code = live.wait_for("page")["code"]
        live.wait_for("handover")
        screen = ScreenByHand(port, code=code)
        yield live, port, screen
        screen.close()


@contextmanager
def with_a_module(folder: Path, take: Path) -> Iterator[tuple[LiveProcess, int, ScreenByHand]]:
    """The same with a sound module at a real MIDI port, five of its strings muted."""
    with jack_server(folder) as server:
        module = Receiver(server.name)
        try:
            with paged(folder, take, "--midi", "module:in", environment=server.environment) as (live, port, screen):
                wait_until(lambda: all(live.record.keeper.standby_warm), "those who stand by")
                wait_until(lambda: len(module.muted) == 5, "five muted strings")
                yield live, port, screen
                wait_until(lambda: len(module.muted) == 5, "five muted strings, as before", 2.0)
        finally:
            module.close()


def page_pid(live: LiveProcess) -> int:
    """The number of the page's process."""
    found = subprocess.run(
        ["pgrep", "-f", f"thumbline.cli.page {live.memory}"], capture_output=True, text=True, check=False
    )
    return int(found.stdout.split()[0]) if found.stdout else 0


class Watching(threading.Thread):
    """Looks all the while at what a fault of the page must not touch; a context manager."""

    def __init__(self, live: Record):
        super().__init__(daemon=True)
        self._live, self._over = live, False
        self.before = self._pids()
        self.console_s = self.engine_s = 0.0
        self.forced: set[bytes] = set()

    def _pids(self) -> tuple[int, int, int]:
        live = self._live
        return int(live.console.pid), int(live.engine.pid), int(live.keeper.pid)

    def run(self) -> None:
        live = self._live
        while not self._over:
            now = time.monotonic_ns()
            self.console_s = max(self.console_s, 1e-9 * (now - int(live.console.beat_ns)))
            self.engine_s = max(self.engine_s, 1e-9 * (now - int(live.engine.block_at_ns)))
            self.forced.add(bytes(live.keeper.forced))
            time.sleep(0.002)

    def __enter__(self) -> Self:
        self._began_s, self._frames = time.monotonic(), int(self._live.engine.frames)
        self.start()
        return self

    def __exit__(self, *error: object) -> None:
        self._over = True
        self.join()
        self.seconds = time.monotonic() - self._began_s
        self.played_s = (int(self._live.engine.frames) - self._frames) / RATE
        self.late_s = longest_late_s(self._began_s, self.seconds)

    def nothing_was_touched(self) -> None:
        """The same processes, no mute forced, no gap that the machine itself did not make."""
        assert self._pids() == self.before
        assert self.forced == {b""}
        assert self.console_s < CONSOLE_S + self.late_s
        assert self.engine_s < ENGINE_S + self.late_s
        assert abs(self.played_s - self.seconds) < 0.1 + self.late_s


def test_what_is_touched_is_done_and_shown(tmp_path: Path, take: Path) -> None:
    with paged(tmp_path, take) as (live, _, screen):
        request = live.record.request
        assert screen.view()["sound"]
        screen.ask("sound", 0)
        screen.until(lambda view: view["unusual"][:1] == ["SOUND OFF"])
        wait_until(lambda: live.record.engine.sound == 0.0, "silence")
        screen.ask("sound", 1)
        screen.ask("song", 2)
        view = screen.until(lambda view: view["song"] == "Lantern Walk" and view["sound"])
        assert "two octaves down" in view["facts"]
        screen.ask("split", 0)
        screen.ask("hold", 1)
        assert screen.until(lambda view: len(view["unusual"]) == 2)["unusual"] == ["SPLIT OFF", "HOLD"]
        screen.ask("unmute all", 1)
        wait_until(lambda: request.all_open == 1, "unmute all")
        assert screen.until(lambda view: view["unmuted"])["unusual"][-1] == "UNMUTED"
        assert live.of_kind("song")[-1]["name"] == "Lantern Walk"


def test_the_sound_that_a_screen_has_turned_off_stays_off_in_another_engine(tmp_path: Path, take: Path) -> None:
    with paged(tmp_path, take) as (live, _, screen):
        screen.view()
        screen.ask("sound", 0)
        wait_until(lambda: live.record.engine.sound == 0.0, "silence")
        os.kill(int(live.record.engine.pid), signal.SIGKILL)
        view = screen.until(lambda view: view["alarm"], 30.0)
        assert view["unusual"][0] == "NO SOUND"
        assert view["news"].startswith("The sound stopped")
        live.wait_for("playing", 2)
        time.sleep(0.3)
        assert int(live.record.request.sound_on) == 0


@pytest.mark.parametrize("number", [signal.SIGKILL, signal.SIGSTOP])
def test_a_page_that_is_killed_or_stands_still_touches_nothing(tmp_path: Path, take: Path, number: int) -> None:
    with with_a_module(tmp_path, take) as (live, port, screen):
        screen.view()
        with Watching(live.record) as watching:
            first = page_pid(live)
            os.kill(first, number)
            wait_until(lambda: page_pid(live) not in (0, first), "another process", 30.0)
            live.wait_for("page", 3)
        watching.nothing_was_touched()
        screen.close()
        again = ScreenByHand(port, ticket=screen.ticket)
        assert again.view()["song"] == "Slack Water"
        again.close()
        machine = {"late blocks", "missed blocks"}  # a busy computer's own
        assert {each["kind"] for each in live.of_kind("fault")} - machine == {"page"}
        live.wait_for("recovered")


def test_a_flood_touches_nothing(tmp_path: Path, take: Path) -> None:
    with with_a_module(tmp_path, take) as (live, port, screen):
        before = live.record.request.tobytes()
        with Watching(live.record) as watching, a_flood(port):
            until = time.monotonic() + 3.0
            while time.monotonic() < until:
                screen.view()
        watching.nothing_was_touched()
        assert live.record.request.tobytes() == before


def test_a_page_ends_with_its_console_however_that_ends(tmp_path: Path, take: Path) -> None:
    with paged(tmp_path, take) as (live, _, screen):
        screen.view()
        pid = page_pid(live)
        os.kill(live.process.pid, signal.SIGKILL)
        wait_until(lambda: not alive(pid), "the page's end", 10.0)


def test_an_address_that_cannot_be_used_is_refused_before_anything_sounds(run: Run, take: Path) -> None:
    code, _, err = run("live", "--take", take, "--page", "192.0.2.1", "--json")
    assert code == 2
    assert err.splitlines()[-1].startswith("thumbline: --page 192.0.2.1: 192.0.2.1:61240 cannot be used")
