"""A WAV file that grows; read back by libsndfile, which knows nothing of how it was written."""

import struct
from contextlib import closing
from pathlib import Path

import numpy as np
import pytest
import soundfile

from thumbline.dsp.files.growing_wav import Bits, GrowingWav
from thumbline.dsp.files.takes import open_take

SOUND = (0.1 * np.random.default_rng(1).standard_normal((1001, 6))).astype(np.float32)


@pytest.mark.parametrize(("bits", "step"), [(24, 2.0**-24), (32, 0.0)])
def test_it_is_readable_after_every_write_and_however_it_is_cut_off(tmp_path: Path, bits: Bits, step: float) -> None:
    path = tmp_path / "a.wav"
    with closing(GrowingWav(path, 48_000, 6, bits)) as growing:
        for frames in (0, 500, 1001):
            growing.write(SOUND[growing.frames : frames])
            read, rate = soundfile.read(path, dtype="float32", always_2d=True)
            assert (rate, len(read)) == (48_000, frames)
            np.testing.assert_allclose(read, SOUND[:frames], rtol=0.0, atol=step)
    with path.open("ab") as file:  # killed in the midst of a write: the header knows nothing of this
        file.write(b"half a block of sound that nobody counted")
    with open_take(path, 6) as take:
        assert take.frames == 1001
    with closing(GrowingWav(path, 48_000, 6, bits, 600)) as growing:  # another writer goes on
        growing.skip(10)
        growing.write(SOUND[:5])
    read, _ = soundfile.read(path, dtype="float32")
    np.testing.assert_allclose(read, [*SOUND[:600], *np.zeros((10, 6)), *SOUND[:5]], rtol=0.0, atol=step)


def test_what_is_too_long_for_wav_is_rf64(tmp_path: Path) -> None:
    path = tmp_path / "long.wav"
    with closing(GrowingWav(path, 48_000, 6, 32)) as growing:
        growing.write(SOUND)
        growing.skip(2**32 // 24)  # a hole takes no room
        growing.write(SOUND[:7])
    frames = 1001 + 2**32 // 24 + 7
    with path.open("rb") as file:  # EBU Tech 3306: sizes of -1, the true ones in ds64
        head = file.read(48)
    assert (head[:4], head[4:8], head[12:16]) == (b"RF64", b"\xff" * 4, b"ds64")
    assert struct.unpack("<QQQ", head[20:44]) == (path.stat().st_size - 8, frames * 24, frames)
    info = soundfile.info(path)
    assert (info.format, info.frames, info.channels) == ("RF64", frames, 6)
    read, _ = soundfile.read(path, dtype="float32", start=frames - 7)
    np.testing.assert_array_equal(read, SOUND[:7])
    with open_take(path, 6) as take:
        assert take.frames == frames


def test_a_file_that_is_there_is_left_alone(tmp_path: Path) -> None:
    (tmp_path / "mine.wav").write_bytes(b"mine")
    with pytest.raises(FileExistsError):
        GrowingWav(tmp_path / "mine.wav", 48_000, 6, 32)
    assert (tmp_path / "mine.wav").read_bytes() == b"mine"
