"""What the console does about processes that die, hang or never were: told once, started afresh, given up in time.

The processes are stand-ins; over a real system: tests/cli/commands/test_live.py and test_live_jack.py.
"""

import os
import subprocess
import sys
import time
from collections.abc import Callable, Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from thumbline.cli.console import supervision
from thumbline.cli.console.notices import ENGINE_HANGS, KEEPER_DIED, KEEPER_HANGS, Notice
from thumbline.cli.console.supervision import Outcome, Supervision
from thumbline.dsp.live.record import FAULT, LIVE, PLAYING, STARTING
from thumbline.dsp.memory.record_type import Record

SLEEP = [sys.executable, "-c", "import time; time.sleep(60)"]


class Child:
    """Stands in for a process of ours, one that has been started or one that has split off."""

    def __init__(self, pid: int = 0) -> None:
        self.process: object | None = None
        self.code: int | None = None
        self.pid = pid
        self.started_ns = time.monotonic_ns()
        self.starts = self.kills = 0
        self.is_stopped = False

    def start(self) -> None:
        self.process, self.code = object(), None
        self.started_ns = time.monotonic_ns()
        self.starts += 1

    def kill(self) -> None:
        self.kills += 1
        self.code = -9

    def last_words(self) -> str:
        return "ValueError: no memory"


class Spare(Child):
    """Stands in for what engines split off: they are numbered from 7001."""

    def __init__(self) -> None:
        super().__init__()
        self.is_warm = False
        self.begun: list[Child] = []

    @property
    def stands_by(self) -> bool:
        return self.process is not None and self.code is None

    def go(self) -> Child:
        self.begun.append(Child(7001 + len(self.begun)))
        return self.begun[-1]


class Stage:
    def __init__(self) -> None:
        self.live: Record = np.zeros(1, LIVE)[0]
        self.live.engine.rate, self.live.engine.block_frames = 48000, 64
        self.engine, self.spare, self.keeper = Child(1234567), Spare(), Child()
        self.told: list[Notice] = []
        backstage: Any = SimpleNamespace(engine=self.engine, spare=self.spare, keeper=self.keeper)
        self.supervision = Supervision(backstage, self.live, self.told.append, 0.3)
        self.play(self.engine)

    def play(self, engine: Child) -> None:
        """The engine plays, and the keeper is there."""
        now = time.monotonic_ns()
        self.live.engine.phase, self.live.engine.pid = PLAYING, engine.pid
        self.live.engine.block_at_ns = self.live.engine.first_block_ns = now
        self.live.keeper.beat_ns, self.live.keeper.phase = now, PLAYING
        engine.process = self.keeper.process = object()

    def stand_by(self, *, warm: bool = True) -> None:
        """Another engine can split off."""
        self.spare.process, self.spare.is_warm = object(), warm

    def look(self) -> None:
        """The engine has just played a block, if it lives, and is looked at."""
        if self.supervision._engine.code is None:
            self.live.engine.block_at_ns = time.monotonic_ns()
        self.supervision._clock.look()
        self.supervision._look_at_engine()

    def be_starting(self, patience_s: float) -> None:
        """For a test of the keeper alone: nothing is asked of the engine."""
        self.live.engine.phase, self.engine.started_ns = STARTING, time.monotonic_ns()
        self.supervision._patience_ns = int(1e9 * patience_s)

    def reach(self, condition: Callable[[], Any]) -> None:
        until = time.monotonic() + 10.0
        while not condition():
            assert time.monotonic() < until, f"in vain; told {self.told}, {self.supervision.outcome}"
            time.sleep(0.005)


@pytest.fixture
def stage(monkeypatch: pytest.MonkeyPatch) -> Iterator[Stage]:
    monkeypatch.setattr(supervision, "RETRY_S", {"engine": 0.05, "keeper": 0.05})
    monkeypatch.setattr(supervision, "END_S", 0.05)
    stage = Stage()
    yield stage
    stage.supervision.stop()
    assert stage.live.request.stop == 1
    assert stage.supervision._engine.code is not None
    assert stage.keeper.kills >= 1


@pytest.fixture
def sleeper() -> Iterator["subprocess.Popen[bytes]"]:
    with subprocess.Popen(SLEEP) as process:
        yield process
        process.kill()


def test_an_engine_that_was_not_started_is_and_one_that_was_is_left_alone(stage: Stage) -> None:
    stage.engine.process = None
    stage.supervision.start()
    assert stage.engine.starts == stage.keeper.starts == 1
    assert stage.live.console.pid == os.getpid()
    beat = int(stage.live.console.beat_ns)
    stage.reach(lambda: stage.live.console.beat_ns > beat)


@pytest.mark.parametrize(
    ("code", "fault", "outcome"),
    [
        (1, "", Outcome(1, "ValueError: no memory")),
        (2, "no such device", Outcome(2, "no such device; plug it in")),
        (1, "no such device", Outcome(1, "no such device; plug it in")),
    ],
)
def test_an_engine_that_never_played_is_not_started_again(
    stage: Stage, code: int, fault: str, outcome: Outcome
) -> None:
    stage.live.engine.phase = FAULT if fault else STARTING
    stage.live.engine.fault = fault.encode()
    stage.live.engine.advice = b"plug it in" if fault else b""
    stage.engine.code = code
    stage.supervision.start()
    stage.reach(lambda: stage.supervision.outcome is not None)
    assert stage.supervision.outcome == outcome
    assert stage.engine.starts == 0


def test_an_engine_that_hangs_is_killed_started_again_and_given_up_in_time(stage: Stage) -> None:
    stage.supervision.start()
    stage.reach(lambda: stage.supervision._played)
    stage.live.engine.block_at_ns = time.monotonic_ns() - 2 * 10**9
    stage.reach(lambda: stage.spare.begun)
    assert (stage.spare.starts, stage.engine.kills) == (1, 1)
    assert stage.told[0] == ENGINE_HANGS
    stage.spare.begun[0].code = 1
    stage.reach(lambda: stage.supervision.outcome is not None)
    outcome = stage.supervision.outcome
    assert outcome is not None
    assert outcome.code == 1
    assert "gave up after 0 s" in outcome.text
    assert [notice for notice in stage.told if notice == ENGINE_HANGS] == [ENGINE_HANGS], "said once"


def test_a_pause_of_all_processes_is_no_dead_interface(stage: Stage, sleeper: "subprocess.Popen[bytes]") -> None:
    """As after a signal that stops them all, or a computer that slept: whoever goes on first finds the others old."""
    supervision, engine = stage.supervision, stage.live.engine
    supervision._look_at_engine()
    supervision._clock._looked_ns -= 5 * 10**9
    engine.block_at_ns = stage.live.keeper.beat_ns = time.monotonic_ns() - 5 * 10**9
    stage.live.keeper.pid = sleeper.pid
    for _ in range(2):
        supervision._clock.look()
        supervision._look_at_engine()
        supervision._look_at_keeper()
    assert (stage.engine.kills, stage.told) == (0, [])
    supervision._clock._awake_ns -= 2 * 10**9  # two seconds later
    supervision._look_at_engine()
    assert stage.engine.kills == 1


def test_an_engine_stands_by_once_the_sound_has_passed_for_a_while(stage: Stage) -> None:
    stage.live.engine.first_block_ns = time.monotonic_ns()
    stage.supervision._look_at_engine()
    assert stage.spare.starts == 0
    stage.live.engine.first_block_ns -= 3 * 10**9
    for _ in range(2):
        stage.look()
    assert (stage.spare.starts, stage.spare.stands_by) == (1, True)


@pytest.mark.parametrize("how", ["dies", "hangs"])
def test_another_engine_splits_off_when_one_fails_as_often_as_one_does(stage: Stage, how: str) -> None:
    stage.stand_by()
    engine = stage.engine
    for number in range(3):
        stage.look()
        if how == "dies":
            engine.code = -9
        else:
            stage.live.engine.block_at_ns = time.monotonic_ns() - 2 * 10**9
            stage.supervision._clock._awake_ns -= 3 * 10**9
        stage.supervision._clock.look()
        stage.supervision._look_at_engine()
        assert (len(stage.spare.begun), engine.kills) == (number + 1, how == "hangs")
        engine = stage.spare.begun[number]
        stage.supervision._look_at_engine()
        stage.play(engine)
        stage.supervision._look_at_engine()
        assert stage.told[-1].text == "The sound is back"
        stage.supervision._retry_ns["engine"] = 0
    assert (stage.spare.starts, stage.spare.kills, stage.engine.starts) == (0, 0, 0)


def test_one_that_was_to_split_off_and_does_not_begin_is_replaced(stage: Stage) -> None:
    stage.stand_by()
    stage.look()
    stage.engine.code = -9
    stage.look()
    (begun,) = stage.spare.begun
    begun.started_ns -= 10**9
    stage.look()
    assert begun.kills == 1
    stage.supervision._retry_ns["engine"] = 0
    stage.look()
    assert len(stage.spare.begun) == 2


def test_an_interface_that_stays_away_is_tried_once_in_a_while(stage: Stage) -> None:
    stage.stand_by()
    stage.look()
    stage.engine.code = 1
    for _ in range(5):
        stage.look()
        stage.spare.begun[-1].code = 1
    assert len(stage.spare.begun) == 1
    time.sleep(0.06)
    stage.look()
    assert len(stage.spare.begun) == 2


def test_where_none_is_warm_yet_the_engine_begins_as_soon_as_one_is(stage: Stage) -> None:
    """It has loaded a part already; a new one would begin with nothing."""
    stage.stand_by(warm=False)
    stage.look()
    stage.engine.code = -9
    stage.look()
    (begun,) = stage.spare.begun
    begun.started_ns -= 5 * 10**9
    stage.look()
    assert (begun.kills, stage.spare.starts, stage.engine.starts) == (0, 0, 0)


def test_one_that_a_signal_has_stopped_is_ended_and_another_started(stage: Stage) -> None:
    stage.stand_by()
    stage.live.engine.first_block_ns -= 3 * 10**9
    stage.spare.is_stopped = True
    stage.look()
    assert stage.spare.kills == 0, "all may have been stopped, and go on"
    stage.supervision._clock._awake_ns -= 10**9
    stage.look()
    assert stage.spare.kills == 1
    stage.spare.is_stopped, stage.spare.started_ns = False, time.monotonic_ns() - 5 * 10**9
    stage.look()
    assert stage.spare.starts == 0, "one that dies of itself would do so again"
    stage.spare.started_ns -= 6 * 10**9
    stage.look()
    assert stage.spare.starts == 1


def test_off_a_stopped_one_nothing_splits(stage: Stage) -> None:
    stage.stand_by()
    stage.look()
    stage.spare.is_stopped, stage.engine.code = True, -9
    stage.look()
    assert (stage.spare.starts, len(stage.spare.begun)) == (1, 1)


def test_an_engine_that_starts_for_ever_is_killed(stage: Stage, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(supervision, "START_S", 0.05)
    stage.live.engine.phase = STARTING
    stage.engine.started_ns = time.monotonic_ns()
    stage.supervision.start()
    stage.reach(lambda: stage.engine.kills)


def test_a_keeper_that_died_with_nobody_standing_by_is_started_again(
    stage: Stage, sleeper: "subprocess.Popen[bytes]"
) -> None:
    stage.be_starting(20.0)
    stage.live.keeper.pid = sleeper.pid
    stage.supervision.start()
    stage.reach(lambda: stage.supervision._charged.pid == sleeper.pid)
    sleeper.kill()
    sleeper.wait()
    stage.reach(lambda: stage.keeper.starts >= 2)
    assert stage.told == [KEEPER_DIED]
    with subprocess.Popen(SLEEP) as other:
        stage.live.keeper.pid = other.pid
        stage.live.keeper.beat_ns = time.monotonic_ns() + 10**9
        stage.reach(lambda: len(stage.told) == 2)
        other.kill()
    assert stage.told[1].text == "The MIDI sender is back"


def test_a_keeper_that_hangs_is_told_and_killed(stage: Stage, sleeper: "subprocess.Popen[bytes]") -> None:
    stage.be_starting(20.0)
    stage.live.keeper.pid = sleeper.pid
    stage.live.keeper.beat_ns = time.monotonic_ns() - 400_000_000
    stage.supervision.start()
    assert sleeper.wait(10.0) < 0
    assert stage.told[0] == KEEPER_HANGS


@pytest.mark.parametrize(("fault", "words"), [(b"port 'x' has gone", "port 'x' has gone"), (b"", KEEPER_DIED.text)])
def test_a_keeper_that_never_was_in_charge_is_started_again(stage: Stage, fault: bytes, words: str) -> None:
    stage.be_starting(20.0)
    stage.live.keeper.phase, stage.live.keeper.fault = FAULT, fault
    stage.supervision.start()
    stage.keeper.code = 1
    stage.reach(lambda: stage.keeper.starts == 2)
    assert stage.told[0].text == words


def test_a_port_that_never_was_there_ends_it_with_code_2(stage: Stage) -> None:
    stage.live.keeper.fault = b"MIDI port is 'x'; accepted: 'y'"
    stage.supervision.start()
    stage.keeper.code = 2
    stage.reach(lambda: stage.supervision.outcome is not None)
    assert stage.supervision.outcome == Outcome(2, "MIDI port is 'x'; accepted: 'y'")


def test_stopped_before_it_was_started_it_ends_what_there_is(stage: Stage) -> None:
    stage.supervision.stop()
    assert stage.supervision.outcome is None
