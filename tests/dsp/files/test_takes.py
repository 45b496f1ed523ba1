"""Takes: formats, blocks, channels and names."""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.take_files import RATE, content, noise, refusal, sound_bytes, write
from thumbline.dsp.errors import printable
from thumbline.dsp.files.takes import open_take, take_name

# (format, subtype, bits that survive: None where the encoding is lossy)
LOSSLESS = [
    ("WAV", "PCM_16", 16),
    ("WAV", "PCM_24", 24),
    ("WAV", "PCM_32", 32),
    ("WAV", "FLOAT", 24),
    ("WAV", "DOUBLE", 53),
    ("WAVEX", "PCM_24", 24),
    ("RF64", "PCM_16", 16),
    ("RF64", "PCM_24", 24),
    ("RF64", "FLOAT", 24),
    ("FLAC", "PCM_16", 16),
    ("FLAC", "PCM_24", 24),
    ("AIFF", "PCM_16", 16),
    ("AIFF", "PCM_24", 24),
    ("AIFF", "PCM_32", 32),
    ("AIFF", "FLOAT", 24),
    ("AIFF", "DOUBLE", 53),
    ("CAF", "PCM_16", 16),
    ("CAF", "PCM_24", 24),
    ("CAF", "PCM_32", 32),
    ("CAF", "FLOAT", 24),
    ("CAF", "DOUBLE", 53),
    ("W64", "PCM_24", 24),
]


# --- formats----


@pytest.mark.parametrize(("form", "subtype", "bits"), LOSSLESS)
def test_every_lossless_encoding_gives_its_samples_back_to_the_last_bit(
    tmp_path: Path, form: str, subtype: str, bits: int
) -> None:
    samples = np.round(noise(3000, 6) * 2 ** (bits - 1)) / 2 ** (bits - 1)
    path = write(tmp_path / "take.sound", samples, form, subtype)
    with open_take(path, 6) as take:
        assert (take.sample_rate, take.frames, take.channels, take.name) == (RATE, 3000, 6, "take")
    np.testing.assert_array_equal(content(path, 6), samples)


@pytest.mark.parametrize(("form", "subtype"), [("OGG", "VORBIS"), ("MP3", "MPEG_LAYER_III")])
def test_lossy_files_are_read_at_their_full_length(tmp_path: Path, form: str, subtype: str) -> None:
    time = np.arange(RATE) / RATE
    path = write(tmp_path / "take.sound", 0.5 * np.sin(2 * np.pi * 220 * time)[:, np.newaxis], form, subtype)
    read = content(path, 1)
    assert read.shape == (RATE, 1)
    assert np.std(read) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize("rate", [22_050, 32_000, 44_100, 48_000, 88_200, 96_000, 176_400, 192_000])
def test_rates_from_22_05_to_192_khz_are_accepted(tmp_path: Path, rate: int) -> None:
    with open_take(write(tmp_path / "t.wav", noise(10, 6), rate=rate), 6) as take:
        assert take.sample_rate == rate


@pytest.mark.parametrize("rate", [8000, 22_049, 192_001, 384_000])
def test_a_rate_outside_is_refused_with_the_range(tmp_path: Path, rate: int) -> None:
    message = refusal(write(tmp_path / "t.wav", noise(10, 6), rate=rate))
    assert f"{rate} Hz" in message
    assert "22050 to 192000 Hz" in message


@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_a_float_file_may_exceed_full_scale(tmp_path: Path, subtype: str) -> None:
    samples = np.array([[4.0, -8.0], [1.5, 0.0]])
    np.testing.assert_array_equal(content(write(tmp_path / "t.wav", samples, "WAV", subtype), 2), samples)


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64", "AIFF", "CAF", "W64"])
@pytest.mark.parametrize("frames", [0, 1])
def test_an_empty_take_and_a_take_of_one_frame_are_valid(tmp_path: Path, form: str, frames: int) -> None:
    assert content(write(tmp_path / "t.sound", noise(frames, 6), form), 6).shape == (frames, 6)


def test_a_big_endian_wav_file_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "t.wav", noise(100, 6), RATE, subtype="PCM_24", endian="BIG")
    assert content(tmp_path / "t.wav", 6).shape == (100, 6)


# --- blocks ---


@pytest.mark.parametrize("form", ["WAV", "FLAC"])
@pytest.mark.parametrize("size", [1, 17, 64, 509, 16_384, 40_000, 10**12])
def test_the_samples_do_not_depend_on_the_block_size(tmp_path: Path, form: str, size: int) -> None:
    samples = noise(20_000, 2)
    path = write(tmp_path / "t.sound", samples, form)
    with open_take(path, 2) as take:
        blocks = list(take.blocks(size))
    assert all(len(block) == min(size, 20_000) for block in blocks[:-1])
    np.testing.assert_array_equal(np.concatenate(blocks), soundfile.read(path)[0])


@pytest.mark.parametrize("folder", [False, True])
def test_blocks_are_contiguous_float64_of_frames_by_channels(tmp_path: Path, folder: bool) -> None:
    if folder:
        for index in range(3):
            write(tmp_path / f"{index}.wav", noise(50_000, 1, index))
    else:
        write(tmp_path / "t.wav", noise(50_000, 3))
    with open_take(tmp_path if folder else tmp_path / "t.wav", 3) as take:
        for block in take.blocks(700):
            assert block.dtype == np.float64
            assert block.shape[1:] == (3,)
            assert block.flags.c_contiguous


def test_a_long_take_is_never_in_memory_as_a_whole(tmp_path: Path) -> None:
    path = write(tmp_path / "t.flac", np.zeros((400_000, 1)), "FLAC")
    with open_take(path, 1) as take:
        for block in take.blocks(100):
            whole = block if block.base is None else block.base
            assert len(whole) <= 16_400


def test_a_second_pass_starts_from_the_beginning_even_if_the_first_was_left(tmp_path: Path) -> None:
    path = write(tmp_path / "t.flac", noise(30_000, 6), "FLAC")
    with open_take(path, 6) as take:
        first = next(take.blocks(64))
        np.testing.assert_array_equal(np.concatenate(list(take.blocks(64)))[:64], first)


@pytest.mark.parametrize("form", ["WAV", "FLAC"])
def test_a_pass_that_was_left_and_is_still_held_disturbs_neither_the_next_one_nor_the_end(
    tmp_path: Path, form: str
) -> None:
    samples = noise(6 * RATE, 6)
    with open_take(write(tmp_path / "take", samples, form), 6) as take:
        held = []
        for _ in range(20):
            held.append(take.blocks(64))
            next(held[-1])  # the next stretch is being decoded now
        whole = np.concatenate(list(take.blocks(4096)))
        held.append(take.blocks(64))
        next(held[-1])
    np.testing.assert_allclose(whole, samples, atol=2**-22)


@pytest.mark.parametrize("size", [0, -1])
def test_a_block_has_at_least_one_frame(tmp_path: Path, size: int) -> None:
    with (
        open_take(write(tmp_path / "t.wav", noise(5, 6)), 6) as take,
        pytest.raises(ValueError, match="at least 1"),
    ):
        next(take.blocks(size))


@pytest.mark.skipif(not Path("/proc/self/fd").exists(), reason="needs /proc to see open files")
def test_leaving_a_take_closes_its_files(tmp_path: Path) -> None:
    for index in range(4):
        write(tmp_path / f"{index}.wav", noise(50_000, 1))
    with open_take(tmp_path, 4) as take:
        next(take.blocks(100))
        assert any(str(tmp_path) in str(Path(fd).resolve()) for fd in Path("/proc/self/fd").iterdir())
    assert not any(str(tmp_path) in str(Path(fd).resolve()) for fd in Path("/proc/self/fd").iterdir())


# --- channels and strings ---


@pytest.mark.parametrize("count", [1, 5, 7])
def test_a_count_of_channels_unlike_that_of_the_strings_is_refused_with_both_and_a_remedy(
    tmp_path: Path, count: int
) -> None:
    message = refusal(write(tmp_path / "t.wav", noise(10, count)))
    assert f"{count} channel" in message
    assert "6 strings" in message
    assert "instrument.strings" in message
    assert "input.channels" in message


def test_a_channel_map_beyond_the_strings_needs_the_highest_channel_it_names(tmp_path: Path) -> None:
    path = write(tmp_path / "t.wav", noise(10, 8))
    with open_take(path, 6, [3, 4, 5, 6, 7, 8]) as take:
        assert take.channels == 8
    message = refusal(path, 6, [4, 5, 6, 7, 8, 9])
    assert "8 channels" in message
    assert "channel 9" in message


def test_a_channel_map_within_the_strings_leaves_the_count_as_it_is(tmp_path: Path) -> None:
    path = write(tmp_path / "t.wav", noise(10, 6))
    with open_take(path, 6, [6, 5, 4, 3, 2, 1]) as take:
        assert take.channels == 6
    assert "7 channels" in refusal(write(tmp_path / "u.wav", noise(10, 7)), 6, [1, 2, 3, 4, 5, 6])


# --- names ---


def test_a_take_is_named_after_its_file_or_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    folder = tmp_path / "first set.v2"
    (folder / "inner").mkdir(parents=True)
    monkeypatch.chdir(folder)
    assert take_name("set/blue room.2.wav") == "blue room.2"
    assert take_name(folder) == "first set.v2"
    assert take_name(f"{folder}/") == "first set.v2"
    assert take_name(f"{folder}/.") == "first set.v2"
    assert take_name(".") == "first set.v2"
    assert take_name("./") == "first set.v2"
    assert take_name("inner/..") == "first set.v2"
    monkeypatch.chdir(folder / "inner")
    assert take_name("..") == "first set.v2"


@pytest.mark.parametrize("path", ["/", "", ".wav", "..wav", "...wav", "....", "a/...wav", ". .wav", "x" * 5000])
def test_a_name_is_never_empty_hidden_or_a_way_to_another_folder(path: str) -> None:
    name = take_name(path)
    assert name
    assert name[0] != "."
    assert name == Path(name).name


def test_a_path_in_a_message_stays_on_one_line() -> None:
    assert printable("two\nlines\t\udcff.wav") == "two\\nlines\\t\\udcff.wav"


@pytest.mark.skipif(os.name == "nt", reason="names are bytes on POSIX only")
def test_a_file_name_that_is_not_valid_unicode_is_read(tmp_path: Path) -> None:
    path = tmp_path / os.fsdecode(b"caf\xe9 \n.wav")
    try:
        path.write_bytes(sound_bytes("WAV", frames=10))
    except OSError:
        pytest.skip("this file system has only Unicode names")
    assert content(path, 6).shape == (10, 6)
    assert "caf\\udce9 \\n.wav has 6 channels" in refusal(path, 5)
