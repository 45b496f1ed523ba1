"""Sound files of a result: their samples, their length, and what is told when they cannot be written."""

import math
import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.helpers.folders import earlier_result, tree
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.outputs import AudioWriter, OutputFolder

RATE = 48_000


def write_silence(parent: Path, frames: int) -> None:
    with (
        OutputFolder(parent, "take") as folder,
        AudioWriter(folder.path / "bass.wav", RATE, 1, frames) as writer,
    ):
        for start in range(0, frames, 1000):
            writer.write(np.zeros(min(1000, frames - start)))


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
