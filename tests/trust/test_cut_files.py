"""Every format and encoding that libsndfile writes, whole and cut: a cut file is refused, never read short in silence.

The outside oracle is libsndfile itself, which wrote the whole file and knows how many frames it holds.
"""

from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.dsp.take_files import content, refusal
from thumbline.dsp.errors import InputError
from thumbline.dsp.sound_ends import CHECKED_FORMATS

FRAMES = 30_000
#: Raw sound has no header; the others hold no length, or one that is not that of the file.
UNCHECKED = {"IRCAM", "MAT5", "PAF", "PVF", "SD2", "SDS", "WVE", "XI"}
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
    for rate in (48_000, 44_100, 24_000, 22_050):
        try:
            with soundfile.SoundFile(path, "w", rate, 1, subtype, format=form) as file:
                for first in range(0, FRAMES, 4096):  # the Vorbis encoder runs out of stack on all at once
                    file.write(tone[first : first + 4096])
            return soundfile.info(path).frames
        except (soundfile.LibsndfileError, ValueError):
            continue
    pytest.skip("libsndfile writes no such file")


@pytest.mark.parametrize(("form", "subtype"), PAIRS)
def test_a_whole_file_is_read_whole_and_a_cut_one_refused(tmp_path: Path, form: str, subtype: str) -> None:
    path = tmp_path / "take.sound"
    frames = written(path, form, subtype)
    whole = path.read_bytes()
    if form in UNCHECKED:
        message = refusal(path, 1)
        assert "cannot be told from a whole one" in message
        assert "WAV, RF64, FLAC, AIFF, CAF" in message
    else:
        assert len(content(path, 1)) == frames
    for share in (0.3, 0.7, 0.95):
        path.write_bytes(whole[: round(share * len(whole))])
        refusal(path, 1)


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


def test_every_format_that_libsndfile_knows_is_either_checked_or_refused() -> None:
    assert set(soundfile.available_formats()) == {*CHECKED_FORMATS, *UNCHECKED, "RAW"}


def test_a_stream_of_unknown_length_is_refused_where_no_other_reader_ends_it(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.au", np.zeros((100, 6)), 48_000, "PCM_16")
    raw = bytearray((tmp_path / "take.au").read_bytes())
    raw[8:12] = b"\xff" * 4
    (tmp_path / "take.au").write_bytes(raw)
    assert "never closed" in refusal(tmp_path / "take.au")


def test_a_wav_file_with_very_many_chunks_before_its_sound_is_read(tmp_path: Path) -> None:
    soundfile.write(tmp_path / "take.wav", np.full((100, 6), 0.5), 48_000, "PCM_16")
    raw = (tmp_path / "take.wav").read_bytes()
    raw = raw[:36] + 5000 * b"junk\0\0\0\0" + raw[36:]
    raw = raw[:4] + (len(raw) - 8).to_bytes(4, "little") + raw[8:]
    (tmp_path / "take.wav").write_bytes(raw)
    assert len(content(tmp_path / "take.wav", 6)) == 100
