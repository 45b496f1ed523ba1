"""Each fault is told once, in one sentence, with what helps; and so is its end."""

import time
from pathlib import Path

import numpy as np
import pytest

from thumbline.cli.console import notices
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.notices import Notice, Watch
from thumbline.cli.console.routing import make_routing
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig


@pytest.fixture
def live(tmp_path: Path) -> Record:
    record = create(tmp_path / "memory", [("", Rig())], rate=48000, block_frames=64, routing=make_routing([1], [2]))
    record.engine.first_block_ns = time.monotonic_ns() - 10 * notices.SETTLE_NS
    record.engine.block_frames = 64
    record.keeper.beat_ns = time.monotonic_ns()
    return record


@pytest.fixture
def watch(live: Record) -> Watch:
    return Watch(live, Rig().input.channels)


def test_where_nothing_is_wrong_nothing_is_said(watch: Watch) -> None:
    assert watch.look() == []


def test_sound_that_comes_otherwise_than_asked_for_is_told_once(live: Record, watch: Watch) -> None:
    live.engine.rate = 48000
    live.engine.period_frames = 64
    assert watch.look() == []
    live.engine.period_frames, live.engine.alike[:] = 1024, (1, 5)
    period, alike = watch.look()
    assert "1024 frames at a time (21 ms), not the 64" in str(period)
    assert "pw-metadata -n settings 0 clock.force-quantum 64" in str(period)
    assert "channels 1 and 5 carry the same sound" in str(alike)
    assert watch.look() == []
    live.engine.alike[:] = 0
    assert watch.look() == []
    live.engine.alike[:] = 1, 5
    assert [notice.kind for notice in watch.look()] == ["alike"]


@pytest.mark.parametrize(
    ("part", "field", "value", "kind", "words"),
    [
        ("engine", "missed", 3, "missed blocks", "3 blocks"),
        ("engine", "late", 1, "late blocks", "1 late block"),
        ("engine", "limiter_db", -9.0, "limiter", "9 dB"),
        ("keeper", "lost", 12, "lost events", "12 events"),
        ("keeper", "wire_share", 0.95, "wire", "95% full"),
    ],
)
def test_each_fault_is_told_once_with_advice(
    live: Record, watch: Watch, part: str, field: str, value: float, kind: str, words: str
) -> None:
    setattr(getattr(live, part), field, value)
    told = watch.look()
    assert [notice.kind for notice in told] == [kind]
    assert words in told[0].text
    assert told[0].advice
    assert watch.look() == []


def test_a_channel_that_clips_is_named(live: Record, watch: Watch) -> None:
    live.engine.input_peak[4] = 1.0
    told = watch.look()
    assert [notice.text for notice in told] == ["String 5 (input channel 5) clips"]
    assert watch.look() == [], "once is enough"


def test_what_a_device_loses_while_it_settles_is_not_told(live: Record, watch: Watch) -> None:
    live.engine.first_block_ns = time.monotonic_ns()
    live.engine.missed = 5
    assert watch.look() == []
    live.engine.first_block_ns = time.monotonic_ns() - 10 * notices.SETTLE_NS
    assert watch.look() == []
    live.engine.missed = 6
    assert "lost 1 block of" in watch.look()[0].text


def test_more_of_the_same_is_told_after_a_while(live: Record, watch: Watch, monkeypatch: pytest.MonkeyPatch) -> None:
    live.engine.missed = 1
    assert len(watch.look()) == 1
    live.engine.missed = 4
    assert watch.look() == []
    monkeypatch.setattr(notices, "QUIET_NS", 0)
    assert "lost 3 blocks" in watch.look()[0].text


def test_an_engine_that_was_started_afresh_counts_from_nothing(live: Record, watch: Watch) -> None:
    live.engine.missed = 7
    watch.look()
    live.engine.missed = 0
    assert watch.look() == []


def test_a_port_that_goes_and_comes_back_is_told_both_times(live: Record, watch: Watch) -> None:
    live.keeper.port, live.keeper.port_present = b"module in", 1
    assert watch.look() == []
    live.keeper.port_present = 0
    gone = watch.look()
    assert gone == [Notice("midi port", "MIDI port module in is gone", "waiting for it; check its cable and power")]
    assert watch.look() == []
    live.keeper.port_present = 1
    back = watch.look()
    assert [(notice.kind, notice.fault) for notice in back] == [("midi port", False)]


def test_a_notice_is_a_line_and_a_json_event() -> None:
    notice = Notice("wire", "The cable is full", "use fewer modules")
    assert str(notice) == "The cable is full: use fewer modules"
    assert notice.as_event() == {
        "event": "fault",
        "kind": "wire",
        "text": "The cable is full",
        "advice": "use fewer modules",
    }
    assert Notice("wire", "Free again", fault=False).as_event()["event"] == "recovered"


def test_every_standing_notice_has_advice_and_fits_a_narrow_screen_in_two_lines() -> None:
    for notice in (notices.ENGINE_DIED, notices.ENGINE_HANGS, notices.KEEPER_DIED, notices.KEEPER_HANGS):
        assert notice.advice
        assert len(str(notice)) < 2 * 74
    assert np.unique([notices.ENGINE_DIED.kind, notices.ENGINE_HANGS.kind]).size == 2
