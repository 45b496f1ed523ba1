"""Engines that split off one that stands by, over real processes; the engine itself is a stand-in that sleeps."""

import os
import signal
import time
from collections.abc import Iterator
from pathlib import Path

import pytest

from tests.helpers.live_process import alive, wait_until
from thumbline.cli.console import child as child_module
from thumbline.cli.console.spare import Spare, SplitOff
from thumbline.cli.shared.processes import can_split

pytestmark = pytest.mark.skipif(not can_split(), reason="this system splits no process")

#: Its exit code is 5 after SIGTERM.
ENGINE = """
import os, signal, sys, time
from pathlib import Path
from thumbline.cli.engine.stand_by import stand_by
if stand_by(Path(sys.argv[-1])):
    signal.signal(signal.SIGTERM, lambda *_: os._exit(5))
    print("I play", flush=True)
    time.sleep(60)
"""


@pytest.fixture
def spare(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Spare]:
    """One that stands by, warm."""
    monkeypatch.setattr(child_module, "MODULE", ("-P", "-c"))
    spare = Spare(ENGINE, tmp_path / "memory")
    spare.log = tmp_path / "log"
    spare.start()
    wait_until(lambda: spare.is_warm, "one that stands by", 10.0)
    yield spare
    spare.kill()


def begin(spare: Spare) -> SplitOff:
    """Have an engine begin."""
    engine = spare.go()
    assert isinstance(engine, SplitOff)
    wait_until(lambda: engine.code is None and engine.pid, "an engine", 5.0)
    wait_until(lambda: engine.last_words() == "I play", "its word", 5.0)
    return engine


def test_engine_after_engine_splits_off_one_and_their_ends_are_told(spare: Spare) -> None:
    for number, code in ((signal.SIGTERM, 5), (signal.SIGKILL, -9)):
        engine = begin(spare)
        assert engine.pid != spare.pid
        os.kill(engine.pid, number)
        wait_until(lambda engine=engine: engine.code is not None, "its end", 5.0)
        assert engine.code == code
        spare.log.write_text("")
    engine = begin(spare)
    os.kill(engine.pid, signal.SIGSTOP)
    wait_until(lambda: engine.is_stopped, "the stop", 5.0)
    engine.kill()
    assert engine.code == -9
    assert spare.is_warm


def test_an_engine_outlives_what_it_has_split_off_and_its_end_is_noticed(spare: Spare) -> None:
    engine = begin(spare)
    spare.process.kill()  # pyright: ignore[reportOptionalMemberAccess]
    wait_until(lambda: spare.code is not None, "its end", 5.0)
    assert engine.code is None
    spare.start()
    assert engine.code is None
    os.kill(engine.pid, signal.SIGKILL)
    wait_until(lambda: engine.code == 1, "the engine's end", 5.0)


def test_one_that_should_split_off_what_has_ended_never_begins(spare: Spare) -> None:
    spare.process.kill()  # pyright: ignore[reportOptionalMemberAccess]
    engine = spare.go()
    wait_until(lambda: engine.code == 1, "the news", 5.0)
    engine.kill()
    assert not engine.pid


def test_what_hangs_is_ended_when_the_console_goes(spare: Spare) -> None:
    """An engine leaves by itself, but not one that a signal has stopped."""
    engine = begin(spare)
    os.kill(engine.pid, signal.SIGSTOP)
    begun = time.monotonic()
    spare.close_pipes()
    wait_until(lambda: not alive(engine.pid) and not alive(spare.pid), "both ends", 5.0)
    assert time.monotonic() - begun < 3.0
