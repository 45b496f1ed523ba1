"""The recorder against a tape that is written here: slow disks, full disks, restarts. What is lost is told."""

import csv
import errno
from collections.abc import Iterator
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.recorder.recorder import MOST, Recorder
from thumbline.cli.recorder.recording import Recording, folder_named
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.growing_wav import GrowingWav
from thumbline.dsp.kept.layout import kept_take
from thumbline.dsp.live.record import ENDED
from thumbline.dsp.live.tape import MARGIN, keep, wind_on
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig

RATE = 48_000
SETTINGS = [("one", Rig()), ("two", Rig.model_validate({"bass": {"interval": -7}}))]


@pytest.fixture
def live(tmp_path: Path) -> Record:
    routing = make_routing([1], [2])
    return create(tmp_path / "memory", SETTINGS, rate=RATE, block_frames=64, routing=routing, tape=True)


@pytest.fixture
def recording(tmp_path: Path) -> Recording:
    return Recording(tmp_path / "memory", tmp_path / "gig.wav", 32, SETTINGS, RATE, 6)


@pytest.fixture
def recorder(live: Record, recording: Recording) -> Iterator[Recorder]:
    live.tape.length = 1 << 16
    with closing(Recorder(live, recording.folder)) as recorder:
        yield recorder


def play(live: Record, first: int, frames: int) -> None:
    """Put frames on the tape whose samples tell their place."""
    for begin in range(first, first + frames, 1 << 16):
        count = min(1 << 16, first + frames - begin)
        sound = places(begin, count)
        keep(live.tape, 0, sound[:, :6], sound[:, 6:], count)
        wind_on(live.tape, count)


def places(first: int, frames: int) -> NDArray[np.float64]:
    return (np.arange(first, first + frames) % 4096)[:, np.newaxis] / 8192.0 + np.arange(9) / 16.0


def strings(recording: Recording) -> NDArray[np.float64]:
    return np.asarray(soundfile.read(recording.folder / "strings.wav", always_2d=True)[0], np.float64)


def test_everything_is_kept_and_the_folder_says_what_it_is(
    live: Record, recording: Recording, recorder: Recorder
) -> None:
    play(live, 0, MOST + 1000)
    assert recorder.write()
    assert not recorder.write()
    sound = places(0, MOST + 1000)
    for name, columns in {"strings": slice(0, 6), "bass": slice(6, 7), "guitar": slice(7, 9)}.items():
        read, rate = soundfile.read(recording.folder / f"{name}.wav", always_2d=True)
        np.testing.assert_array_equal(read, sound[:, columns])
        assert rate == RATE
    kept = kept_take(recording.folder)
    assert kept is not None
    assert (kept.names, kept.rigs) == (("one", "two"), tuple(rig for _, rig in SETTINGS))
    assert live.recorder.lost == 0


def test_what_a_slow_disk_loses_is_counted_told_and_silence_in_the_file(
    live: Record, recording: Recording, recorder: Recorder
) -> None:
    play(live, 0, 5000)
    recorder.write()
    length = int(live.tape.length)
    play(live, 5000, length + 1000)  # all the while nothing was written
    while recorder.write():
        pass
    lost = int(live.recorder.lost)
    assert lost == 1000 + MARGIN
    read = strings(recording)
    assert len(read) == 6000 + length
    np.testing.assert_array_equal(read[:5000], places(0, 5000)[:, :6])
    assert not read[5000 : 5000 + lost].any()
    np.testing.assert_array_equal(read[5000 + lost :], places(5000 + lost, length - MARGIN)[:, :6])
    with (recording.folder / "events.csv").open() as file:
        (row,) = [row for row in csv.DictReader(file) if row["event"] == "lost"]
    assert (float(row["time_s"]), int(row["value"])) == (pytest.approx(5000 / RATE, abs=1e-6), lost)
    (notice,) = recording.look(live)
    assert notice.text.startswith(f"{lost / RATE:.1f} s were not kept")
    assert not list(recording.look(live)), "told once"


def test_a_full_disk_is_told_and_when_there_is_room_again_nothing_is_lost(
    live: Record, recording: Recording, recorder: Recorder, monkeypatch: pytest.MonkeyPatch
) -> None:
    play(live, 0, 5000)
    recorder.write()
    write_all = GrowingWav._write_all

    def full(self: GrowingWav, at: int, data: bytes) -> None:
        if len(data) > 1000:
            write_all(self, at, data[:999])  # a part of it still finds room
            raise OSError(errno.ENOSPC, "No space left on device")
        write_all(self, at, data)

    play(live, 5000, 5000)
    with monkeypatch.context() as patch:
        patch.setattr(GrowingWav, "_write_all", full)
        for _ in range(2):
            assert not recorder.write()
        (notice,) = recording.look(live)
        assert notice.fault
        assert "Nothing is being kept: No space left on device" in notice.text
        assert len(strings(recording)) == 5000
    recorder.write()
    (notice,) = recording.look(live)
    assert not notice.fault
    np.testing.assert_array_equal(strings(recording), places(0, 10_000)[:, :6])
    assert live.recorder.lost == 0


def test_another_recorder_goes_on_where_one_was_killed(live: Record, recording: Recording) -> None:
    first = Recorder(live, recording.folder)
    play(live, 0, 5000)
    live.request.all_open = 0
    first.look()
    live.request.all_open = 1
    first.look()
    first.write()
    first.close()
    with (recording.folder / "strings.wav").open("ab") as file:
        file.write(bytes(1000))  # what the header does not count
    with (recording.folder / "events.csv").open("a") as file:
        file.write("0.1,half a ro")
    play(live, 5000, 3000)
    live.console.pid, live.request.stop, live.engine.phase = 0, 1, ENDED
    Recorder(live, recording.folder).run()
    np.testing.assert_array_equal(strings(recording), places(0, 8000)[:, :6])
    with (recording.folder / "events.csv").open() as file:
        rows = [(row["event"], row["value"]) for row in csv.DictReader(file)]
    assert rows == [("unmute all", "1")]
    assert live.recorder.ended == 1


def test_a_folder_with_files_is_refused_and_left_alone(tmp_path: Path) -> None:
    (tmp_path / "gig").mkdir()
    (tmp_path / "gig" / "mine").touch()
    with pytest.raises(InputError, match="which holds files; accepted: a new folder, or an empty one"):
        Recording(tmp_path / "memory", tmp_path / "gig", 32, SETTINGS, RATE, 6)
    assert [path.name for path in (tmp_path / "gig").iterdir()] == ["mine"]
    assert folder_named(Path("a/gig.WAV")) == Path("a/gig")


def test_memory_that_is_not_there_is_said_before_anything_sounds(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(_file: int, first: int, _size: int) -> None:
        if first:
            raise OSError(errno.ENOSPC, "No space left on device")

    monkeypatch.setattr("os.posix_fallocate", refuse)
    with pytest.raises(InputError, match=r"--keep needs 32 MB of memory in .*: No space left"):
        create(tmp_path / "memory", SETTINGS, rate=RATE, block_frames=64, routing=make_routing([1], [2]), tape=True)
