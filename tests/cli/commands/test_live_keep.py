"""`thumbline live --keep`: songs, a restart, a dead recorder and a sudden end, decided again from the files."""

import csv
import os
import signal
import time
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.live_process import LiveProcess, wait_until
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.kept.layout import kept_take
from thumbline.dsp.kept.replay import prepare
from thumbline.dsp.memory.events import HANDOVER
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT

pytestmark = pytest.mark.real_time

SONGS = """
[[songs]]
name = "Slack Water"

[[songs]]
name = "Lantern Walk"
bass = { interval = -24 }
choice = { rule = "lowest pitch" }
"""


def test_what_was_kept_when_all_was_killed_gives_the_same_decisions_and_sound(tmp_path: Path) -> None:
    (tmp_path / "songs.toml").write_text(SONGS)
    gig = tmp_path / "gig"
    with LiveProcess("--set", tmp_path / "songs.toml", "--take", "data/demo.flac", "--keep", gig) as live:
        record = live.record
        wait_until(lambda: record.recorder.frames, "the recorder")
        live.wait_for("handover", 2)
        record.request.setting = 1
        live.wait_for("handover", 4)
        first = int(record.recorder.pid)
        os.kill(first, signal.SIGKILL)
        record.request.bass_level_db, record.request.split = -6.0, 0
        wait_until(lambda: int(record.state.heard.split) == 0, "the guitar alone")
        record.request.split = 1
        live.wait_for("handover", 6)
        os.kill(int(record.engine.pid), signal.SIGKILL)
        live.wait_for("playing", 2)
        wait_until(lambda: int(record.recorder.pid) != first, "another recorder")
        wait_until(lambda: int(record.recorder.frames) > int(record.tape.written) - 24_000, "the second recorder")
        wait_until(lambda: int(record.recorder.offset) > 0, "the second engine, on the tape")
        live.wait_for("handover", len(live.of_kind("handover")) + 3)
        written = int(record.tape.written)
        for pid in (live.process.pid, int(record.recorder.pid), int(record.engine.pid)):
            os.kill(pid, signal.SIGKILL)
        live.process.wait()

    kept = kept_take(gig)
    assert kept is not None
    assert kept.names == ("Slack Water", "Lantern Walk")
    with open_take(gig, 6) as take:
        assert take.frames > written - 48_000, "up to the last second"
        again = prepare(take, kept.rig, lambda share: None)
        parts = [again.processor.process(block) for block in again.blocks]
    events = np.concatenate([events for _, events in parts])
    sure_s = take.frames / 48_000 - 0.5  # later than this some had not been decided
    with (gig / "events.csv").open() as file:
        rows = list(csv.DictReader(file))
    told = [(round(float(row["time_s"]) * 48_000), int(row["string"])) for row in rows if row["event"] == "bass"]
    found = sorted((int(event["frame"]), int(event["string"])) for event in events[events["kind"] == HANDOVER])
    assert [each for each in sorted(told) if each[0] < sure_s * 48_000] == [
        each for each in found if each[0] < sure_s * 48_000
    ]
    assert len(told) >= 8
    sound = np.concatenate([sound for sound, _ in parts]).astype(np.float32)
    frames = len(sound)
    for name, columns in {"bass": [BASS], "guitar": [LEFT, RIGHT]}.items():
        read, _ = soundfile.read(gig / f"{name}.wav", dtype="float32", always_2d=True)
        np.testing.assert_array_equal(read[:frames], sound[: len(read), columns])
    events_told = [row["event"] for row in rows]
    assert [row["value"] for row in rows if row["event"] == "song"][:2] == ["Slack Water", "Lantern Walk"]
    assert {"begin", "split", "bass level", "pluck", "note"} <= set(events_told)
    assert events_told.count("begin") == 2
    assert all(first["clock"] <= second["clock"] for first, second in pairwise(rows) if second["event"] == "begin")


@pytest.mark.parametrize("after_s", [0.0, 0.11, 0.42, 1.3, 2.9])
def test_all_may_be_killed_at_any_moment_and_what_was_kept_is_read(tmp_path: Path, after_s: float) -> None:
    gig = tmp_path / "gig"
    with LiveProcess("--rig", "data/demo.toml", "--take", "data/demo.flac", "--keep", gig) as live:
        record = live.record
        # Its start takes a moment, and it first writes what it finds on the tape.
        wait_until(lambda: record.recorder.frames, "the recorder")
        wait_until(lambda: int(record.recorder.frames) > int(record.tape.written) - 24_000, "the recorder in step")
        time.sleep(after_s)
        pids = [live.process.pid, int(record.recorder.pid), int(record.engine.pid)]
        assert all(pid > 1 for pid in pids), "0 would be the tests themselves"
        for pid in pids:
            os.kill(pid, signal.SIGKILL)
        written = int(record.tape.written)
        live.process.wait()
    kept = kept_take(gig)
    assert kept is not None
    with open_take(gig, 6) as take:
        assert take.frames > written - 48_000, "up to the last second"
        sound = np.concatenate(list(take.blocks(1 << 15)))
    demo, _ = soundfile.read("data/demo.flac", always_2d=True)
    begun = int(np.flatnonzero(sound.any(axis=1))[0]) if sound.any() else 0
    heard = sound[begun:][: len(demo)]
    first = int(np.flatnonzero((demo == heard[0]).all(axis=1))[0]) if len(heard) else 0
    np.testing.assert_allclose(heard, demo[first : first + len(heard)], atol=1e-6)
    with (gig / "events.csv").open() as file:
        assert all(row["event"] for row in csv.DictReader(file))
