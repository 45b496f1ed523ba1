"""The memory that the processes of live share."""

import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

from thumbline.cli.console.make_memory import TAPE_BYTES, create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.shared.live_memory import LIVE, attach, bin_of, encoded, frame_time_ns, percentile_ns, setting_names
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.rig.model import Rig


@pytest.fixture
def live(tmp_path: Path) -> Record:
    settings = [("Slack Water", Rig()), ("Æbelø", Rig.model_validate({"bass": {"interval": -7}}))]
    routing = make_routing([1], [2])
    return create(
        tmp_path / "memory", settings, rate=48_000, block_frames=64, routing=routing, input_device="Fjord", take="å.wav"
    )


def test_what_one_process_writes_another_that_attaches_reads(live: Record, tmp_path: Path) -> None:
    other = attach(tmp_path / "memory")
    assert setting_names(other) == ["Slack Water", "Æbelø"]
    assert (other.setup.rate, other.setup.block_frames, other.setup.inputs, other.setup.outputs) == (48_000, 64, 6, 2)
    assert bytes(other.setup.input) == b"Fjord"
    assert bytes(other.setup.take_path).decode() == "å.wav"
    other.request.stop = 1
    other.keeper.closed[2] = 1
    assert live.request.stop == 1
    assert live.keeper.closed[2] == 1


def test_it_begins_split_silent_and_as_the_first_setting_says(live: Record) -> None:
    request = live.request
    assert (request.split, request.hold, request.all_open, request.sound_on, request.stop, request.setting) == (
        (1, 0, 0, 0, 0, 0)
    )
    assert (request.bass_level_db, request.tone_hz) == (0.0, 0.0)
    assert np.isnan(request.interval)
    assert live.state.ratio == live.params[0].ratio == 0.5
    assert live.params[1].ratio == pytest.approx(2 ** (-7 / 12))


@pytest.mark.skipif(sys.platform != "linux", reason="tells how much of a file has a place")
def test_all_of_it_but_the_tape_has_its_place_before_anybody_writes(live: Record, tmp_path: Path) -> None:
    placed = 512 * (tmp_path / "memory").stat().st_blocks
    assert LIVE.itemsize - TAPE_BYTES <= placed < LIVE.itemsize - TAPE_BYTES // 2
    assert live.setup.complete


@pytest.mark.skipif(shutil.which("unshare") is None, reason="needs a /dev/shm of its own")
def test_a_memory_that_is_full_is_said_in_one_line(tmp_path: Path) -> None:
    """A page that cannot be had would end whichever process meets it first, and the strings with it (SIGBUS)."""
    if subprocess.run(["unshare", "-m", "true"], check=False, capture_output=True).returncode:
        pytest.skip("needs the right to mount")
    take = tmp_path / "take.wav"
    soundfile.write(take, np.zeros((4_800, 6)), 48_000)
    command = [sys.executable, "-m", "thumbline.cli", "live", "--take", str(take), "--plain"]
    mounted = ["unshare", "-m", "sh", "-c", 'mount -t tmpfs -o size=2m tmpfs /dev/shm && exec "$@"', "sh", *command]
    done = subprocess.run(mounted, capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL, timeout=100)
    assert done.returncode == 2, done.stderr
    assert "a run needs 6 MB of memory in /dev/shm: No space left" in done.stderr
    assert "Traceback" not in done.stderr


def test_a_file_of_another_size_is_refused(tmp_path: Path) -> None:
    (tmp_path / "other").write_bytes(b"x" * 100)
    with pytest.raises(InputError, match=f"100 bytes; accepted: a live record of {LIVE.itemsize}"):
        attach(tmp_path / "other")


def test_a_file_that_is_there_is_left_alone(live: Record, tmp_path: Path) -> None:
    with pytest.raises(FileExistsError):
        create(tmp_path / "memory", [("a", Rig())], rate=48_000, block_frames=64, routing=make_routing([1], [2]))
    assert setting_names(live) == ["Slack Water", "Æbelø"]


@pytest.mark.parametrize("count", [0, 33])
def test_a_set_of_no_settings_or_too_many_is_refused(tmp_path: Path, count: int) -> None:
    with pytest.raises(InputError, match=f"{count} settings; accepted: 1 to 32"):
        create(tmp_path / "m", [("a", Rig())] * count, rate=48_000, block_frames=64, routing=make_routing([1], [2]))
    assert not (tmp_path / "m").exists()


def test_no_field_hides_behind_a_method_of_the_record() -> None:
    def names(dtype: np.dtype) -> list[str]:
        found = []
        for name in dtype.names or ():
            inner = dtype[name]
            found += [name, *names(inner.subdtype[0] if inner.subdtype else inner)]
        return found

    assert len(names(LIVE)) > 200
    assert [name for name in names(LIVE) if hasattr(np.record, name)] == []


def test_text_is_cut_between_characters() -> None:
    assert encoded("aå", 2) == b"a"
    assert encoded("aå", 3).decode() == "aå"


def test_a_percentile_is_never_too_short_and_a_quarter_octave_too_long_at_most() -> None:
    bins = np.zeros(64, int)
    times = np.geomspace(2e3, 5e6, 500)
    for ns in times:
        bins[bin_of(ns)] += 1
    for share in (0.1, 0.5, 0.99, 1.0):
        true = float(np.quantile(times, share, method="inverted_cdf"))
        assert true <= percentile_ns(bins, share) <= 2**0.25 * true * 1.001
    assert percentile_ns(np.zeros(64, int), 0.5) == 0.0
    assert (bin_of(0.0), bin_of(1e15)) == (0, 63)


def test_a_frames_time_is_counted_from_the_newest_ones(live: Record) -> None:
    live.engine.rate = 48_000
    live.engine.frames, live.engine.block_at_ns = 480, 1_000_000_000
    assert frame_time_ns(live, 479) == 1_000_000_000
    assert frame_time_ns(live, 479 - 48) == 999_000_000


def test_routing_puts_each_part_on_its_outputs() -> None:
    routing = make_routing([3], [1, 2], stereo=True, guitar_levels_db=[-20.0, 0.0])
    assert routing.shape == (3, 3)
    assert routing[BASS].tolist() == [0.0, 0.0, 1.0]
    assert routing[LEFT].tolist() == pytest.approx([0.1, 0.0, 0.0])
    assert routing[RIGHT].tolist() == [0.0, 1.0, 0.0]


@pytest.mark.parametrize(
    ("arguments", "named"),
    [
        (([0], [1]), "bass output is 0; accepted: 1 to 64"),
        (([1], [65]), "guitar output is 65; accepted: 1 to 64"),
        (([1, 1], [2]), r"bass outputs are \[1, 1\]; accepted: each output once"),
    ],
)
def test_an_output_that_cannot_be_is_refused(arguments: tuple[list[int], list[int]], named: str) -> None:
    with pytest.raises(InputError, match=named):
        make_routing(*arguments)


def test_a_level_that_cannot_be_is_refused() -> None:
    with pytest.raises(InputError, match=r"level of bass output 1 is 3.0 dB; accepted: -60.0 to 0.0"):
        make_routing([1], [2], bass_levels_db=[3.0])
    with pytest.raises(InputError, match="bass has 2 output levels; accepted: one for each"):
        make_routing([1], [2], bass_levels_db=[0.0, 0.0])
    with pytest.raises(InputError, match="pairs, left and right"):
        make_routing([1], [2], stereo=True)
