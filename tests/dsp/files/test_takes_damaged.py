"""Takes that cannot be used, are cut short or damaged: read as far as they promise, or refused in one line."""

import os
import struct
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from tests.material.take_files import content, noise, refusal, sound_bytes, write
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.takes import open_take

CUTTABLE = ["WAV", "WAVEX", "RF64", "AIFF", "CAF", "FLAC"]


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
