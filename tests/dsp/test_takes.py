import io
import os
import struct
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from thumbline.dsp.errors import InputError
from thumbline.dsp.takes import open_take, printable, take_name

RATE = 48_000
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
CUTTABLE = ["WAV", "WAVEX", "RF64", "AIFF", "CAF", "FLAC"]


def noise(frames: int, channels: int, seed: int = 0) -> np.ndarray:
    return 0.25 * np.random.default_rng(seed).standard_normal((frames, channels)).clip(-3.9, 3.9)


def write(path: Path, samples: np.ndarray, form: str = "WAV", subtype: str = "PCM_24", rate: int = RATE) -> Path:
    soundfile.write(path, samples, rate, format=form, subtype=subtype)
    return path


def sound_bytes(form: str, subtype: str = "PCM_24", frames: int = 12_000, channels: int = 6) -> bytearray:
    stream = io.BytesIO()
    soundfile.write(stream, noise(frames, channels), RATE, format=form, subtype=subtype)
    return bytearray(stream.getvalue())


def content(path: Path, strings: int, size: int = 1000) -> np.ndarray:
    with open_take(path, strings) as take:
        blocks = list(take.blocks(size))
        assert sum(map(len, blocks)) == take.frames
        return np.concatenate(blocks) if blocks else np.empty((0, take.channels))


def refusal(path: Path, strings: int = 6, channels: list[int] | None = None) -> str:
    """The one line that says why a take cannot be used, be it found on opening or on reading."""
    with pytest.raises(InputError) as caught, open_take(path, strings, channels) as take:
        for _ in take.blocks(512):
            pass
    message = str(caught.value)
    assert message.isprintable()
    return message


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


# --- folders ---


def test_the_files_of_a_folder_are_taken_in_natural_order_of_their_names(tmp_path: Path) -> None:
    names = [
        "String 1.wav",
        "string 2.WAV",
        "string 9.flac",
        "string 10.aiff",
        "string 010.caf",
        "string 11.w64",
    ]
    forms = ["WAV", "WAV", "FLAC", "AIFF", "CAF", "W64"]
    samples = np.round(noise(500, 6) * 2**23) / 2**23
    for column in (3, 5, 0, 4, 1, 2):  # made in no order
        write(tmp_path / names[column], samples[:, column], forms[column])
    with open_take(tmp_path, 6) as take:
        assert [file.name for file in take.files] == names
    np.testing.assert_array_equal(content(tmp_path, 6), samples)


def test_hidden_files_other_files_and_folders_are_passed_over(tmp_path: Path) -> None:
    for index in range(4):
        write(tmp_path / f"{index}.wav", noise(9, 1))
    for other in ("notes.txt", "take.json", ".DS_Store", "._0.wav", ".hidden.wav", "cover.png", "README"):
        (tmp_path / other).write_text("not sound")
    (tmp_path / "more.wav").with_suffix("").mkdir()
    assert content(tmp_path, 4).shape == (9, 4)


def test_a_folder_with_another_number_of_files_is_refused_with_both_counts(tmp_path: Path) -> None:
    for index in range(5):
        write(tmp_path / f"{index}.wav", noise(9, 1))
    message = refusal(tmp_path)
    assert "5 mono files" in message
    assert "6 strings" in message


def test_a_folder_without_sound_is_refused(tmp_path: Path) -> None:
    (tmp_path / "notes.txt").write_text("none")
    assert "no sound file" in refusal(tmp_path)


def test_a_folder_file_with_two_channels_is_named(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    write(tmp_path / "2.wav", noise(9, 2))
    message = refusal(tmp_path, 2)
    assert "2.wav has 2 channels" in message
    assert "mono" in message


def test_files_of_unequal_length_or_rate_are_both_named(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    write(tmp_path / "2.wav", noise(8, 1))
    message = refusal(tmp_path, 2)
    assert "1.wav" in message
    assert "2.wav have 9 and 8 frames" in message
    write(tmp_path / "2.wav", noise(9, 1), rate=44_100)
    message = refusal(tmp_path, 2)
    assert "1.wav" in message
    assert "2.wav have sample rates of 48000 Hz and 44100 Hz" in message


def test_a_folder_named_like_a_sound_file_inside_a_folder_is_refused(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(9, 1))
    (tmp_path / "2.wav").mkdir()
    assert "2.wav" in refusal(tmp_path, 2)


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


# --- refusals ---


def test_what_does_not_exist_is_refused(tmp_path: Path) -> None:
    assert "No such file" in refusal(tmp_path / "none.wav")


@pytest.mark.parametrize("name", ["a" * 5000 + ".wav", "nul\0byte.wav"])
def test_an_impossible_name_is_refused(tmp_path: Path, name: str) -> None:
    assert "cannot open the take" in refusal(tmp_path / name)


def test_a_path_through_a_file_is_refused(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    assert "Not a directory" in refusal(tmp_path / "file" / "take.wav")


def test_a_file_that_may_not_be_opened_is_refused(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = write(tmp_path / "t.wav", noise(10, 6))

    def forbid(*_args: object, **_kwargs: object) -> None:
        raise PermissionError(13, "Permission denied")

    monkeypatch.setattr(Path, "open", forbid)
    assert "Permission denied" in refusal(path)
    monkeypatch.setattr(Path, "iterdir", forbid)
    assert "Permission denied" in refusal(tmp_path)


@pytest.mark.skipif(not hasattr(os, "mkfifo"), reason="needs named pipes")
def test_a_named_pipe_is_refused_and_not_waited_for(tmp_path: Path) -> None:
    os.mkfifo(tmp_path / "pipe.wav")
    assert "neither a file nor a folder" in refusal(tmp_path / "pipe.wav")


@pytest.mark.parametrize("name", ["t.wav", "t.flac", "t.aiff", "t.caf", "t.raw", "t"])
@pytest.mark.parametrize("text", [b"", b"E A D G B E\n" * 100])
def test_text_with_the_name_of_a_sound_file_is_refused_in_plain_words(tmp_path: Path, name: str, text: bytes) -> None:
    (tmp_path / name).write_bytes(text)
    message = refusal(tmp_path / name)
    assert f"{name} is not a sound file" in message
    assert "WAV, RF64, FLAC, AIFF, CAF" in message


@pytest.mark.parametrize(("value", "word"), [(np.nan, "NaN"), (np.inf, "infinity"), (-np.inf, "infinity")])
@pytest.mark.parametrize("subtype", ["FLOAT", "DOUBLE"])
def test_the_first_sample_that_is_not_finite_is_named_by_channel_and_time(
    tmp_path: Path, value: float, word: str, subtype: str
) -> None:
    samples = noise(30_000, 6)
    samples[24_000, 4] = value
    samples[24_001, 0] = -value
    message = refusal(write(tmp_path / "t.wav", samples, "WAV", subtype))
    assert f"channel 5 holds {word} at 0.500000 s (frame 24000" in message


def test_in_a_folder_the_file_that_holds_it_is_named_too(tmp_path: Path) -> None:
    write(tmp_path / "1.wav", noise(100, 1))
    write(tmp_path / "2.wav", np.full((100, 1), np.nan), "WAV", "FLOAT")
    message = refusal(tmp_path, 2)
    assert "2.wav: channel 2 holds NaN at 0.000000 s" in message


# --- cut, unclosed and streamed files ---


@pytest.mark.parametrize("form", CUTTABLE)
def test_a_cut_file_is_refused_with_the_frames_that_can_be_read_and_those_promised(tmp_path: Path, form: str) -> None:
    whole = sound_bytes(form)
    path = tmp_path / "t.sound"
    path.write_bytes(whole[: len(whole) * 2 // 3])
    message = refusal(path)
    assert "damaged or cut short" in message
    readable, promised = (int(word) for word in message.split() if word.isdigit())
    assert promised == 12_000
    # FLAC is read in frames of 4096 samples a channel, CAF has a header of 4 KiB.
    assert 4096 <= readable <= 8192


@pytest.mark.parametrize("form", ["WAV", "WAVEX", "RF64", "AIFF", "CAF", "FLAC"])
def test_a_file_that_lacks_its_last_frame_is_noticed(tmp_path: Path, form: str) -> None:
    path = tmp_path / "t.sound"
    path.write_bytes(sound_bytes(form, "PCM_16")[:-12])
    assert "damaged or cut short" in refusal(path)


def test_a_flac_file_damaged_inside_is_refused(tmp_path: Path) -> None:
    whole = sound_bytes("FLAC")
    whole[len(whole) // 2] ^= 0xFF
    (tmp_path / "t.flac").write_bytes(whole)
    assert "damaged or cut short" in refusal(tmp_path / "t.flac")


@pytest.mark.parametrize("riff", [0, 0xFFFFFFFF, 0x7FFFFFFF])
@pytest.mark.parametrize("size", [0xFFFFFFFF, 0xFFFFFFFF - 36, 0x7FFFFFFF - 36, 0x7FFFF000, 0x80000000])
def test_a_streamed_wav_file_is_read_to_its_end(tmp_path: Path, riff: int, size: int) -> None:
    # Sizes that writers leave in the header when they cannot go back to it: common practice, no source.
    whole = sound_bytes("WAV", frames=500)
    whole[4:8] = struct.pack("<I", riff)
    whole[40:44] = struct.pack("<I", size)
    (tmp_path / "t.wav").write_bytes(whole)
    assert content(tmp_path / "t.wav", 6).shape == (500, 6)


def test_a_streamed_flac_file_is_counted_and_read_to_its_end(tmp_path: Path) -> None:
    # RFC 9639, section 8.2: a total of 0 samples in the stream information means that it is not known.
    whole = sound_bytes("FLAC", "PCM_16")
    packed = int.from_bytes(whole[18:26], "big")
    assert packed & (2**36 - 1) == 12_000
    whole[18:26] = (packed - 12_000).to_bytes(8, "big")
    path = tmp_path / "t.flac"
    path.write_bytes(whole)
    assert content(path, 6).shape == (12_000, 6)
    path.write_bytes(whole[: len(whole) // 2])
    assert "4096 frames can be read" in refusal(path)


@pytest.mark.parametrize("riff", [0, 36])
def test_a_recording_that_was_never_closed_is_not_taken_for_an_empty_one(tmp_path: Path, riff: int) -> None:
    whole = sound_bytes("WAV", frames=500)
    whole[4:8] = struct.pack("<I", riff)
    whole[40:44] = struct.pack("<I", 0)
    (tmp_path / "t.wav").write_bytes(whole)
    message = refusal(tmp_path / "t.wav")
    assert "never closed" in message
    assert "500 frames" in message


def test_a_caf_file_that_was_never_closed_is_refused_as_such(tmp_path: Path) -> None:
    # Apple Core Audio Format specification: a data chunk of size -1 goes on to the end of the file.
    whole = sound_bytes("CAF", frames=500)
    at = whole.rindex(b"data\0\0") + 4
    whole[at : at + 8] = struct.pack(">q", -1)
    (tmp_path / "t.caf").write_bytes(whole)
    assert "never closed" in refusal(tmp_path / "t.caf")


def test_an_empty_wav_file_with_more_chunks_behind_its_sound_stays_empty(tmp_path: Path) -> None:
    whole = sound_bytes("WAV", frames=0) + b"LIST" + struct.pack("<I", 4) + b"INFO"
    whole[4:8] = struct.pack("<I", len(whole) - 8)
    (tmp_path / "t.wav").write_bytes(whole)
    assert content(tmp_path / "t.wav", 6).shape == (0, 6)


def test_chunks_before_and_behind_the_sound_do_not_matter(tmp_path: Path) -> None:
    whole = sound_bytes("WAV", frames=501, channels=1)
    odd = b"junk" + struct.pack("<I", 3) + b"abc\0"
    whole = whole[:36] + odd + whole[36:] + b"\0" + odd
    whole[4:8] = struct.pack("<I", len(whole) - 8)
    (tmp_path / "t.wav").write_bytes(whole)
    assert content(tmp_path / "t.wav", 1).shape == (501, 1)


# --- damaged headers ---

SMALL = {
    (form, subtype): bytes(sound_bytes(form, subtype, frames=50, channels=2))
    for form, subtype in [
        ("WAV", "PCM_24"),
        ("WAV", "FLOAT"),
        ("RF64", "PCM_16"),
        ("FLAC", "PCM_16"),
        ("AIFF", "PCM_24"),
        ("AIFF", "DOUBLE"),
        ("CAF", "PCM_24"),
    ]
}


@settings(max_examples=100, deadline=None, suppress_health_check=[HealthCheck.function_scoped_fixture])
@given(
    changes=st.lists(st.tuples(st.integers(0, 160), st.integers(1, 255)), max_size=4),
    kept=st.one_of(st.just(1.0), st.floats(0, 1)),
)
@pytest.mark.parametrize("kind", SMALL, ids="-".join)
def test_a_damaged_file_is_read_or_refused_and_nothing_else(
    tmp_path: Path, kind: tuple[str, str], changes: list[tuple[int, int]], kept: float
) -> None:
    damaged = bytearray(SMALL[kind])
    for position, bits in changes:
        damaged[position % len(damaged)] ^= bits
    path = tmp_path / "t.sound"
    path.write_bytes(damaged[: round(kept * len(damaged))])
    with suppress(InputError), open_take(path, 2) as take:
        frames = sum(map(len, take.blocks(64)))
        assert frames == take.frames
        assert frames <= 8 * len(damaged)


@pytest.mark.parametrize("kind", SMALL, ids="-".join)
def test_a_file_cut_at_any_byte_is_refused_unless_no_sound_is_lost(tmp_path: Path, kind: tuple[str, str]) -> None:
    whole = SMALL[kind]
    path = tmp_path / "t.sound"
    for length in range(0, len(whole), 7):
        path.write_bytes(whole[:length])
        try:
            read = content(path, 2)
        except InputError:
            continue
        assert read.shape == (50, 2), f"{length} of {len(whole)} bytes"
