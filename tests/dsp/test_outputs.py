import csv
import errno
import gc
import math
import os
import shutil
import sys
from collections.abc import Callable
from pathlib import Path
from types import FrameType
from typing import Any

import numpy as np
import pytest
import soundfile

import thumbline.dsp.outputs as outputs
from thumbline.dsp.errors import InputError
from thumbline.dsp.outputs import AudioWriter, OutputFolder, distinct_names, write_csv

RATE = 48_000


def tree(folder: Path) -> dict[str, str]:
    """Every file under ``folder``, hidden ones too, and what is in it; folders end in a slash."""
    return {
        f"{path.relative_to(folder)}{'/' if path.is_dir() else ''}": "" if path.is_dir() else path.read_text()
        for path in sorted(folder.rglob("*"))
    }


def earlier_result(parent: Path) -> dict[str, str]:
    (parent / "take").mkdir(parents=True)
    (parent / "take" / "bass.txt").write_text("old bass")
    (parent / "take" / "setlist.txt").write_text("the guitarist's own")
    return tree(parent)


def write_result(parent: Path) -> None:
    with OutputFolder(parent, "take") as folder:
        (folder.path / "bass.txt").write_text("new bass")
        (folder.path / "guitar.txt").write_text("new guitar")


def write_then_raise(parent: Path, files: int, error: type[BaseException]) -> None:
    with OutputFolder(parent, "take") as folder:
        for index in range(files):
            (folder.path / f"{index}.txt").write_text("half")
        raise error


def write_silence(parent: Path, frames: int) -> None:
    with (
        OutputFolder(parent, "take") as folder,
        AudioWriter(folder.path / "bass.wav", RATE, 1, frames) as writer,
    ):
        for start in range(0, frames, 1000):
            writer.write(np.zeros(min(1000, frames - start)))


def fail_with(number: int, filename: str | None = None) -> Callable[..., None]:
    def fail(*_args: object, **_kwargs: object) -> None:
        raise OSError(number, os.strerror(number), filename)

    return fail


# --- the folder of a result ---


def test_a_result_appears_under_its_name_and_leaves_nothing_else(tmp_path: Path) -> None:
    write_result(tmp_path / "set" / "one")
    assert tree(tmp_path / "set" / "one") == {
        "take/": "",
        "take/bass.txt": "new bass",
        "take/guitar.txt": "new guitar",
    }


def test_nothing_is_to_be_seen_of_a_result_before_it_is_complete(tmp_path: Path) -> None:
    before = earlier_result(tmp_path)
    with OutputFolder(tmp_path, "take") as folder:
        (folder.path / "bass.txt").write_text("half")
        assert folder.path.parent == tmp_path
        assert folder.path.name.startswith(".")
        hidden = folder.path.name
        assert {name: text for name, text in tree(tmp_path).items() if not name.startswith(hidden)} == before


def test_a_new_result_replaces_its_own_files_and_leaves_those_of_others(tmp_path: Path) -> None:
    earlier_result(tmp_path)
    write_result(tmp_path)
    assert tree(tmp_path / "take") == {
        "bass.txt": "new bass",
        "guitar.txt": "new guitar",
        "setlist.txt": "the guitarist's own",
    }


def test_where_there_are_no_hard_links_a_result_is_replaced_all_the_same(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    earlier_result(tmp_path)
    monkeypatch.setattr(os, "link", fail_with(errno.EPERM))
    write_result(tmp_path)
    assert tree(tmp_path / "take")["bass.txt"] == "new bass"


def test_two_results_can_be_made_at_once_in_one_place(tmp_path: Path) -> None:
    with OutputFolder(tmp_path, "one") as one, OutputFolder(tmp_path, "two") as two:
        (one.path / "bass.txt").write_text("1")
        (two.path / "bass.txt").write_text("2")
    assert tree(tmp_path) == {"one/": "", "one/bass.txt": "1", "two/": "", "two/bass.txt": "2"}


@pytest.mark.parametrize(
    "error", [RuntimeError, KeyboardInterrupt, SystemExit, MemoryError, InputError, BrokenPipeError]
)
@pytest.mark.parametrize("files", [0, 1, 2])
def test_any_exception_leaves_everything_as_it_was_and_passes_through(
    tmp_path: Path, error: type[BaseException], files: int
) -> None:
    before = earlier_result(tmp_path)
    with pytest.raises(error):
        write_then_raise(tmp_path, files, error)
    assert tree(tmp_path) == before


# Between opening a file and taking charge of it even Python's own with statement cannot close it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("earlier", [False, True])
def test_an_interrupt_at_any_line_leaves_the_old_result_or_the_new_one_whole(tmp_path: Path, earlier: bool) -> None:
    """Interrupts the n-th line that runs in the module, for every n, until a run has no n-th line."""
    old_texts = {"bass.txt": "old bass", "setlist.txt": "the guitarist's own"} if earlier else {}
    new_texts = old_texts | {"bass.txt": "new bass", "guitar.txt": "new guitar"}
    seen: list[dict[str, str]] = []
    interrupted = True
    while interrupted:
        number = len(seen) + 1
        parent = tmp_path / str(number)
        parent.mkdir()
        if earlier:
            earlier_result(parent)
        interrupted = interrupt_line(number, lambda parent=parent: write_result(parent))
        if any(path.name.startswith(".") for path in parent.iterdir()):
            gc.collect()  # the last resort: the folder goes with the object
        left = tree(parent)
        assert not [name for name in left if name.startswith(".")], f"line {number}"
        texts = {name.removeprefix("take/"): text for name, text in left.items() if not name.endswith("/")}
        assert texts in (old_texts, new_texts), f"line {number}"
        seen.append(texts)
    assert seen[-1] == new_texts
    assert len(seen) > 40, "the lines were not really interrupted"
    assert old_texts in seen


def interrupt_line(number: int, run: Callable[[], None]) -> bool:
    """Run, raising KeyboardInterrupt before the ``number``-th line of the outputs module; whether it came."""
    count = 0

    def trace(frame: FrameType, event: str, _argument: object) -> Any:
        nonlocal count
        if frame.f_code.co_filename != outputs.__file__:
            return None
        if event == "line":
            count += 1
            if count == number:
                raise KeyboardInterrupt
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        run()
    except KeyboardInterrupt:
        return True
    finally:
        sys.settrace(before)
    return False


@pytest.mark.parametrize("moves", [0, 1, 2])
@pytest.mark.parametrize("error", [KeyboardInterrupt(), OSError(errno.ENOSPC, "No space left on device")])
@pytest.mark.parametrize("earlier", [False, True])
def test_a_move_that_fails_takes_back_the_moves_before_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, moves: int, error: BaseException, earlier: bool
) -> None:
    before = earlier_result(tmp_path) if earlier else {}
    replace = Path.replace
    done = []

    def replace_or_fail(source: Path, target: Path) -> Path:
        if len(done) == moves:
            monkeypatch.setattr(Path, "replace", replace)
            raise error
        done.append(target)
        return replace(source, target)

    monkeypatch.setattr(Path, "replace", replace_or_fail)
    if moves == 2:
        write_result(tmp_path)
        assert tree(tmp_path / "take")["bass.txt"] == "new bass"
        return
    with pytest.raises((KeyboardInterrupt, InputError)):
        write_result(tmp_path)
    assert tree(tmp_path) == before


@pytest.mark.parametrize("name", ["", ".", "..", "a/b", "/", "/a", "a/", "../a"])
def test_a_name_that_leads_elsewhere_is_refused(tmp_path: Path, name: str) -> None:
    with pytest.raises(InputError, match="cannot name a folder"):
        OutputFolder(tmp_path, name)


def test_a_file_where_the_result_would_go_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "take").write_text("mine")
    with pytest.raises(InputError, match="take: it is a file"):
        write_result(tmp_path)
    assert tree(tmp_path) == {"take": "mine"}


def test_a_parent_that_is_a_file_is_refused_and_kept(tmp_path: Path) -> None:
    (tmp_path / "out").write_text("mine")
    for parent in (tmp_path / "out", tmp_path / "out" / "deeper"):
        with pytest.raises(InputError, match=r"cannot write into the folder .*: (not a directory|file exists)"):
            write_result(parent)
    assert tree(tmp_path) == {"out": "mine"}


def test_a_folder_where_a_file_would_go_is_refused_and_the_old_result_kept(tmp_path: Path) -> None:
    earlier_result(tmp_path)
    (tmp_path / "take" / "guitar.txt").mkdir()
    before = tree(tmp_path)
    with pytest.raises(InputError, match=r"guitar\.txt: it is a folder"):
        write_result(tmp_path)
    assert tree(tmp_path) == before


@pytest.mark.parametrize(("number", "words"), [(errno.EACCES, "permission denied"), (errno.EROFS, "read-only")])
def test_a_folder_that_cannot_be_made_is_refused_in_plain_words(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, number: int, words: str
) -> None:
    monkeypatch.setattr(Path, "mkdir", fail_with(number))
    with pytest.raises(InputError, match=f"cannot write into the folder .*take: {words}"):
        write_result(tmp_path)


@pytest.mark.parametrize("call", ["fsync", "rename"])
def test_a_full_disk_at_the_end_is_told_and_the_old_result_kept(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str
) -> None:
    before = earlier_result(tmp_path)
    if call == "fsync":
        monkeypatch.setattr(os, "fsync", fail_with(errno.ENOSPC))
    else:
        monkeypatch.setattr(os, "link", fail_with(errno.EPERM))
        monkeypatch.setattr(shutil, "copy2", fail_with(errno.ENOSPC))
    with pytest.raises(InputError, match="take: no space left on device"):
        write_result(tmp_path)
    assert tree(tmp_path) == before


def test_a_full_disk_inside_is_told_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="no space left on device"), OutputFolder(tmp_path, "take"):
        fail_with(errno.ENOSPC)()
    assert tree(tmp_path) == {}


def test_a_failure_in_a_file_of_the_result_is_told_in_plain_words(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="permission denied"), OutputFolder(tmp_path, "take") as folder:
        fail_with(errno.EACCES, str(folder.path / "bass.mid"))()


def test_a_failure_that_is_not_of_the_result_passes_through(tmp_path: Path) -> None:
    with pytest.raises(FileNotFoundError), OutputFolder(tmp_path, "take"):
        (tmp_path / "elsewhere").read_text()


# --- sound files ---


def test_a_sound_file_is_24_bit_wav_and_holds_each_sample_to_half_a_step(tmp_path: Path) -> None:
    samples = np.random.default_rng(1).uniform(-0.99, 0.99, (5000, 2))
    with AudioWriter(tmp_path / "guitar.wav", RATE, 2, 5000) as writer:
        for start in range(0, 5000, 509):
            writer.write(samples[start : start + 509])
    with soundfile.SoundFile(tmp_path / "guitar.wav") as file:
        assert (file.format, file.subtype, file.samplerate) == ("WAV", "PCM_24", RATE)
        read = file.read()
    assert np.abs(read - samples).max() <= 0.5 / 2**23
    assert writer.peak_dbfs == pytest.approx(20 * math.log10(np.abs(read).max()), abs=1e-12)


def test_a_mono_file_takes_blocks_of_one_dimension_and_of_two(tmp_path: Path) -> None:
    with AudioWriter(tmp_path / "bass.wav", 44_100, 1, 5) as writer:
        writer.write(np.array([0.5, -0.25]))
        writer.write(np.array([[0.125], [0.0]]))
        writer.write(np.zeros(0))
        writer.write(np.array([0.75]))
    read, rate = soundfile.read(tmp_path / "bass.wav")
    assert rate == 44_100
    np.testing.assert_array_equal(read, [0.5, -0.25, 0.125, 0.0, 0.75])


@pytest.mark.parametrize(
    ("sample", "peak"),
    [(0.0, None), (1e-9, None), (0.5, -6.0206), (-1.0, 0.0), (1.0, 0.0), (7.5, 0.0), (-7.5, 0.0)],
)
def test_the_peak_is_that_of_the_file_and_none_for_silence(tmp_path: Path, sample: float, peak: float | None) -> None:
    with AudioWriter(tmp_path / "bass.wav", RATE, 1, 2) as writer:
        assert writer.peak_dbfs is None
        writer.write(np.array([sample, 0.0]))
    assert writer.peak_dbfs == (None if peak is None else pytest.approx(peak, abs=1e-4))
    assert soundfile.read(tmp_path / "bass.wav")[0][0] == pytest.approx(np.clip(sample, -1, 1), abs=2**-23)


@pytest.mark.parametrize("frames", [0, 1])
def test_a_file_may_be_empty_or_of_one_frame(tmp_path: Path, frames: int) -> None:
    with AudioWriter(tmp_path / "bass.wav", RATE, 1, frames) as writer:
        writer.write(np.full(frames, 0.5))
    assert soundfile.info(tmp_path / "bass.wav").frames == frames


@pytest.mark.parametrize(
    ("frames", "channels", "form"),
    [
        (1_431_000_000, 1, b"RIFF"),
        (1_432_000_000, 1, b"RF64"),
        (715_000_000, 2, b"RIFF"),
        (716_000_000, 2, b"RF64"),
    ],
)
def test_a_file_that_passes_4_gib_is_rf64(tmp_path: Path, frames: int, channels: int, form: bytes) -> None:
    # 2^32 bytes of 24-bit samples: 1 431 655 765 frames of one channel (EBU Tech 3306 on the limit of RIFF).
    with (
        pytest.raises(ValueError, match="10 frames written"),
        AudioWriter(tmp_path / "a", RATE, channels, frames) as writer,
    ):
        writer.write(np.zeros((10, channels)))
    assert (tmp_path / "a").read_bytes()[:4] == form
    assert soundfile.info(tmp_path / "a").frames == 10


def test_more_or_fewer_frames_than_announced_are_an_error(tmp_path: Path) -> None:
    with AudioWriter(tmp_path / "a.wav", RATE, 1, 3) as writer:
        with pytest.raises(ValueError, match="more than the 3 frames"):
            writer.write(np.zeros(4))
        writer.write(np.zeros(3))
    with (
        pytest.raises(ValueError, match="2 frames written, 3 announced"),
        AudioWriter(tmp_path / "a.wav", RATE, 1, 3) as w,
    ):
        w.write(np.zeros(2))


@pytest.mark.parametrize("block", [np.zeros((3, 1)), np.zeros(3), np.zeros((3, 3)), np.zeros((1, 3, 2))])
def test_a_block_of_another_shape_is_an_error(tmp_path: Path, block: np.ndarray) -> None:
    with AudioWriter(tmp_path / "a.wav", RATE, 2, 0) as writer, pytest.raises(ValueError, match="shape"):
        writer.write(block)


@pytest.mark.parametrize("sample", [np.nan, np.inf, -np.inf])
def test_a_sample_that_is_not_finite_is_an_error(tmp_path: Path, sample: float) -> None:
    with AudioWriter(tmp_path / "a.wav", RATE, 1, 0) as writer, pytest.raises(ValueError, match="finite"):
        writer.write(np.array([sample]))


def test_a_file_that_cannot_be_opened_is_told_in_plain_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"cannot write bass\.wav: not a directory"):
        AudioWriter(tmp_path / "file" / "bass.wav", RATE, 1, 1)


@pytest.mark.skipif(not Path("/dev/full").exists(), reason="needs /dev/full")
def test_a_disk_that_is_full_at_once_is_told(tmp_path: Path) -> None:
    (tmp_path / "bass.wav").symlink_to("/dev/full")
    with pytest.raises(InputError, match=r"cannot write bass\.wav: system error \(\d+ MB are free there\)"):
        AudioWriter(tmp_path / "bass.wav", RATE, 1, 1)


def test_a_disk_that_fills_up_while_writing_is_told_and_the_old_result_kept(tmp_path: Path) -> None:
    resource = pytest.importorskip("resource")  # a limit on the size of files stands for the full disk
    before = earlier_result(tmp_path)
    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (100_000, hard))
    try:
        with pytest.raises(InputError, match=r"cannot write bass\.wav: system error"):
            write_silence(tmp_path, 100_000)
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
    assert tree(tmp_path) == before


def test_what_the_disk_lost_without_a_word_is_noticed_at_the_end(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    close = soundfile.SoundFile.close

    def close_and_lose(file: soundfile.SoundFile) -> None:
        close(file)
        for path in tmp_path.rglob("bass.wav"):
            os.truncate(path, 500)

    monkeypatch.setattr(soundfile.SoundFile, "close", close_and_lose)
    with pytest.raises(InputError, match="kept less than was written"):
        write_silence(tmp_path, 1000)
    assert tree(tmp_path) == {}


def test_an_interrupt_while_a_sound_file_is_open_leaves_nothing_of_it(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def interrupt(*_args: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(soundfile.SoundFile, "write", interrupt)
    with pytest.raises(KeyboardInterrupt):
        write_silence(tmp_path, 1000)
    assert tree(tmp_path) == {}


# --- tables ---


def test_a_table_reads_back_as_it_was_written(tmp_path: Path) -> None:
    rows = [(0.1, "E2, open", None), (np.float64(1 / 3), 'the "low" one', 7), (1e-7, "two\nlines", "é")]
    write_csv(tmp_path / "notes.csv", ["onset_s", "name", "string"], rows)
    with (tmp_path / "notes.csv").open(encoding="utf-8", newline="") as file:
        header, *read = csv.reader(file)
    assert header == ["onset_s", "name", "string"]
    assert [float(row[0]) for row in read] == [0.1, 1 / 3, 1e-7]
    assert [row[1:] for row in read] == [["E2, open", ""], ['the "low" one', "7"], ["two\nlines", "é"]]


def test_a_table_without_rows_is_its_header_in_one_line(tmp_path: Path) -> None:
    write_csv(tmp_path / "mutes.csv", ["time_s", "string", "open"], iter(()))
    assert (tmp_path / "mutes.csv").read_bytes() == b"time_s,string,open\n"


def test_a_row_of_another_length_is_an_error(tmp_path: Path) -> None:
    with pytest.raises(ValueError, match="a row of 1 fields under a header of 2"):
        write_csv(tmp_path / "a.csv", ["a", "b"], [(1,)])


def test_a_table_that_cannot_be_written_is_told_in_plain_words(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(InputError, match=r"cannot write a\.csv: not a directory"):
        write_csv(tmp_path / "file" / "a.csv", ["a"], [])


# --- names of several takes ---


def test_takes_are_named_in_their_order(tmp_path: Path) -> None:
    (tmp_path / "three.x").mkdir()
    assert distinct_names([Path("b/two.wav"), "a/one.flac", tmp_path / "three.x"]) == [
        "two",
        "one",
        "three.x",
    ]
    assert distinct_names([]) == []


@pytest.mark.parametrize(
    ("first", "second"),
    [
        ("monday/take.wav", "tuesday/take.wav"),
        ("take.wav", "take.flac"),
        ("take.wav", "take.wav"),
        ("Take.wav", "tAKE.wav"),
        ("caf\u00e9.wav", "cafe\u0301.wav"),
    ],
)
def test_two_takes_of_one_name_are_refused_with_both_paths(first: str, second: str) -> None:
    with pytest.raises(InputError) as caught:
        distinct_names(["other.wav", first, second])
    assert f"{first} and {second}" in str(caught.value)
