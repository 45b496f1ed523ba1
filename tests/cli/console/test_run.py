"""The round of `thumbline live`: keys that answer however long it takes to draw, and what is told of changes."""

import os
import sys
import threading
import time
from collections.abc import Iterator
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from thumbline.cli.console.keys import Keyboard
from thumbline.cli.console.notices import News
from thumbline.cli.console.rig_fit import FitCheck
from thumbline.cli.console.run import RunOptions, _loop
from thumbline.cli.console.supervision import Outcome
from thumbline.cli.songs.wishes import in_order
from thumbline.dsp.live.record import LIVE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

posix = pytest.mark.skipif(sys.platform == "win32", reason="pseudo-terminals are POSIX")


class SlowReport:
    """Takes ``seconds`` to show things, as a terminal does on a busy computer."""

    def __init__(self, seconds: float):
        self.seconds, self.shown = seconds, 0
        self.told: list[Any] = []
        self.happened: list[dict[str, Any]] = []

    def events(self, events: list[dict[str, Any]]) -> None:
        self.happened += events

    def notice(self, notice: Any) -> None:
        self.told.append(notice)

    def show(self, view: Any) -> None:
        self.shown += 1
        time.sleep(self.seconds)


class Round:
    """The loop in a thread of its own, over a record that nobody else writes; ``outcome`` once it has ended."""

    def __init__(self, report: SlowReport, keyboard: Any, settings: list[tuple[str, Rig]] | None = None):
        settings = settings or [("", Rig())]
        self.record: Record = np.zeros(1, LIVE)[0]
        self.record.setting_count = len(settings)
        self.record.request.split = 1
        self.supervision: Any = SimpleNamespace(outcome=None)
        self.outcome: Outcome | None = None
        options = RunOptions(settings, "", "", "", 48000, 64, 1.0, sound=False)
        screen: Any = SimpleNamespace(news=News(), go_on=lambda: None)
        arguments: Any = (options, self.record, self.supervision, report, keyboard, screen, FitCheck("", Rig()))

        def run() -> None:
            self.outcome = _loop(*arguments)

        self.thread = threading.Thread(target=run)
        self.thread.start()

    def end(self) -> None:
        self.supervision.outcome = Outcome(0)
        self.thread.join(10.0)


def reach(condition: Any, seconds: float = 10.0) -> float:
    begun = time.monotonic()
    while not condition():
        assert time.monotonic() - begun < seconds, "not reached in time"
        time.sleep(0.005)
    return time.monotonic() - begun


@pytest.fixture
def typed(monkeypatch: pytest.MonkeyPatch) -> Iterator[int]:
    """The end of a pseudo-terminal into which keys are typed; standard input is the other."""
    import pty

    master, slave = pty.openpty()
    with os.fdopen(slave, "r") as stdin:
        monkeypatch.setattr(sys, "stdin", stdin)
        yield master
    os.close(master)


@posix
def test_keys_answer_when_each_drawing_takes_longer_than_a_round(typed: int) -> None:
    report = SlowReport(0.2)
    with Keyboard() as keyboard:
        round_ = Round(report, keyboard)
        try:
            reach(lambda: report.shown)
            os.write(typed, b"o")
            assert reach(lambda: round_.record.request.all_open) < 1.0
            os.write(typed, b"hq")
            reach(lambda: round_.outcome is not None, 2.0)
        finally:
            round_.end()
    assert round_.outcome == Outcome(0)
    assert not round_.record.request.hold, "to stop comes before what was typed with it"


def test_open_all_and_stop_are_obeyed_before_other_keys_and_among_themselves_as_typed() -> None:
    assert in_order("s+hoq") == "oqs+h"
    assert in_order("QsO") == "QOs"
