"""Every format and encoding that libsndfile writes, whole and cut: a cut file is never read short in silence.

The outside oracle is libsndfile itself, which wrote the whole file and knows how many frames it holds.
"""

import json
from collections.abc import Callable
from contextlib import suppress
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray

from tests.material.short_take import RATE
from tests.material.take_files import content, noise, refusal
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.sound_ends import OPEN_FORMATS

FRAMES = 30_000
#: Formats that hold their length, so that a cut file is known.
CHECKED = {
    *("WAV", "WAVEX", "RF64", "W64", "AIFF", "CAF", "FLAC", "OGG", "MP3", "AU"),
    *("AVR", "HTK", "MAT4", "MAT5", "MPC2K", "NIST", "SVX", "VOC", "WVE"),
}
#: Read wrongly by libsndfile, or held at 8 kHz alone, a rate that the processor does not take. Raw sound has no header.
REFUSED = {"SDS", "WVE"}
WARNING = "does not say how long it should be"
PAIRS = [
    (form, subtype)
    for form in soundfile.available_formats()
    for subtype in soundfile.available_subtypes(form)
    if form != "RAW"
]


def written(path: Path, form: str, subtype: str) -> int:
    """Write a tone at the first rate that the format takes, and return how many frames libsndfile finds in it."""
    time = np.arange(FRAMES) / 48_000
    tone = 0.2 * np.sin(2 * np.pi * 220 * time) + 0.01 * np.random.default_rng(0).standard_normal(FRAMES)
    for rate in (48_000, 44_100, 24_000, 22_050, 8_000):
        try:
            with soundfile.SoundFile(path, "w", rate, 1, subtype, format=form) as file:
                for first in range(0, FRAMES, 4096):  # the Vorbis encoder runs out of stack on all at once
                    file.write(tone[first : first + 4096])
            return soundfile.info(path).frames
        except (soundfile.LibsndfileError, ValueError):
            continue
    pytest.skip("libsndfile writes no such file")


@pytest.mark.parametrize(("form", "subtype"), PAIRS)
def test_a_whole_file_is_read_whole_and_a_cut_one_refused_or_warned_of(
    tmp_path: Path, form: str, subtype: str, caplog: pytest.LogCaptureFixture
) -> None:
    path = tmp_path / "take.sound"
    frames = written(path, form, subtype)
    whole = path.read_bytes()
    if form in REFUSED or (form, subtype) == ("PAF", "PCM_24"):
        message = refusal(path, 1)
        assert ("8000 Hz" if form == "WVE" else "known to read wrongly") in message
    else:
        np.testing.assert_array_equal(content(path, 1)[:, 0], read_at_once(path))
        assert len(read_at_once(path)) == frames
        assert [WARNING in each for each in caplog.messages] == [True] * (form in OPEN_FORMATS)
    for share in (0.3, 0.7, 0.95):
        path.write_bytes(whole[: round(share * len(whole))])
        caplog.clear()
        with suppress(InputError):
            content(path, 1)
            assert len(caplog.messages) == 1
            assert WARNING in caplog.messages[0]
            assert form in OPEN_FORMATS


def read_at_once(path: Path) -> NDArray[np.float64]:
    """All frames as libsndfile gives them in one piece, without soundfile's seeking, which fails in DWVW."""
    with soundfile.SoundFile(path) as file:
        file.seekable = lambda: False
        return np.asarray(file.read(dtype="float64", frames=file.frames), np.float64)


@pytest.mark.parametrize(
    ("form", "subtype"),
    [
        ("IRCAM", "PCM_16"),
        ("IRCAM", "FLOAT"),
        ("PAF", "PCM_16"),
        ("PVF", "PCM_32"),
        ("SD2", "PCM_24"),
        ("XI", "DPCM_16"),
    ],
)
def test_a_cut_within_a_frame_is_refused_where_nothing_else_shows_it(tmp_path: Path, form: str, subtype: str) -> None:
    path = tmp_path / "take.sound"
    written(path, form, subtype)
    path.write_bytes(path.read_bytes()[:-1])
    assert "ends within a frame" in refusal(path, 1)


def test_six_channels_of_a_format_without_a_length_are_read_exactly(tmp_path: Path) -> None:
    samples = noise(1000, 6)
    for form in ("IRCAM", "MAT5", "MAT4"):
        soundfile.write(tmp_path / "take", samples, 48_000, "PCM_32", format=form)
        np.testing.assert_allclose(content(tmp_path / "take", 6), samples, atol=2**-31)


def test_render_says_in_its_summary_and_once_on_standard_error_that_the_length_is_open(
    run: Callable[..., tuple[int, str, str]],
    tmp_path: Path,
    frames: NDArray[np.float64],
    caplog: pytest.LogCaptureFixture,
) -> None:
    for form, suffix in (("IRCAM", "sf"), ("WAV", "wav")):
        soundfile.write(tmp_path / f"{form}.{suffix}", frames, RATE, "PCM_16", format=form)
        code, _, err = run("render", tmp_path / f"{form}.{suffix}", "--out", tmp_path)
        assert code == 0, err
        summary = json.loads((tmp_path / form / "summary.json").read_text())
        assert summary["length_is_open"] is (form == "IRCAM")
    assert [WARNING in message for message in caplog.messages] == [True]


@pytest.mark.parametrize(
    ("form", "subtype"),
    [
        ("W64", "PCM_24"),
        ("AU", "PCM_16"),
        ("AIFF", "ULAW"),
        ("WAV", "IMA_ADPCM"),
        ("NIST", "PCM_16"),
        ("OGG", "VORBIS"),
    ],
)
def test_a_cut_at_any_byte_is_refused_or_costs_no_sound(tmp_path: Path, form: str, subtype: str) -> None:
    path = tmp_path / "take.sound"
    frames = written(path, form, subtype)
    whole = path.read_bytes()
    for length in np.unique(np.r_[0:200:7, np.linspace(200, len(whole) - 1, 40).astype(int), len(whole) - 1]):
        path.write_bytes(whole[:length])
        try:
            read = len(content(path, 1))
        except InputError:
            continue
        assert read == frames, length


def test_every_format_that_libsndfile_knows_is_either_checked_warned_of_or_refused() -> None:
    assert set(soundfile.available_formats()) == {*CHECKED, *OPEN_FORMATS, "SDS", "RAW"}


def test_a_stream_that_leaves_its_length_open_is_read_with_a_warning(
    tmp_path: Path, caplog: pytest.LogCaptureFixture
) -> None:
    """Sun's audio file format has a length of -1 for a stream whose end is not known."""
    samples = noise(100, 6)
    soundfile.write(tmp_path / "take.au", samples, 48_000, "DOUBLE")
    raw = bytearray((tmp_path / "take.au").read_bytes())
    raw[8:12] = b"\xff" * 4
    (tmp_path / "take.au").write_bytes(raw)
    np.testing.assert_array_equal(content(tmp_path / "take.au", 6), samples)
    assert [WARNING in message for message in caplog.messages] == [True]


def test_a_wav_file_with_very_many_chunks_before_its_sound_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", np.full((100, 6), 0.5), 48_000, "PCM_16")
    raw = (tmp_path / "take.wav").read_bytes()
    raw = raw[:36] + 5000 * b"junk\0\0\0\0" + raw[36:]
    raw = raw[:4] + (len(raw) - 8).to_bytes(4, "little") + raw[8:]
    (tmp_path / "take.wav").write_bytes(raw)
    assert len(content(tmp_path / "take.wav", 6)) == 100
