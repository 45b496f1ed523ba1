import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile

from tests.helpers.file_size_limit import needs_limits, no_file_larger_than
from thumbline.dsp.errors import InputError, OutputError
from thumbline.dsp.files.id3 import id3_block
from thumbline.dsp.files.sound_files import FORMATS, Tags, write_sound

TAGS = Tags("Tarnhölm ♭5: bass alone", "Slack Wäter \N{MUSICAL SYMBOL F CLEF}", "bass", 107.2, 3)
COMMENT = "bass, 107.2 bpm"


def _tone(rate: int, channels: int = 1) -> np.ndarray:
    tone = 0.5 * np.sin(2 * np.pi * 220 * np.arange(2 * rate) / rate)
    return np.repeat(tone[:, None], channels, axis=1).astype(np.float32)


def _held(file: Path) -> Any:
    """What mutagen, which knows the format by its content, finds in a file."""
    return mutagen.File(file)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("name", FORMATS)
def test_every_format_holds_the_sound(tmp_path: Path, name: str, rate: int) -> None:
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(rate, 2), rate, name, TAGS)
    sound, read_rate = soundfile.read(file)
    assert len(sound) / read_rate == pytest.approx(2.0, abs=0.06)
    assert np.std(sound[read_rate // 2 : read_rate]) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


@needs_limits
@pytest.mark.parametrize("name", FORMATS)
def test_a_file_of_which_the_disk_takes_all_but_the_last_byte_is_refused_in_words(tmp_path: Path, name: str) -> None:
    """libsndfile writes the end of FLAC and Ogg as it closes, and says nothing if that fails."""
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(48_000), 48_000, name, TAGS)
    for missing in (1, 5000):
        limit = no_file_larger_than(file.stat().st_size - missing)
        with limit, pytest.raises((OutputError, OSError), match=r"(?i)file too large"):
            write_sound(tmp_path / f"again.{name}", _tone(48_000), 48_000, name, TAGS)


@pytest.mark.parametrize("name", ["flac", "wav"])
def test_lossless_formats_are_exact_to_24_bits(tmp_path: Path, name: str) -> None:
    write_sound(tmp_path / "tone", _tone(48_000), 48_000, name, TAGS)
    sound, _ = soundfile.read(tmp_path / "tone", always_2d=True)
    assert np.max(np.abs(sound - _tone(48_000))) <= 2**-23


@pytest.mark.parametrize("name", [name for name in FORMATS if name != "wav"])
def test_mutagen_reads_the_tags(tmp_path: Path, name: str) -> None:
    """It knows no INFO lists of RIFF."""
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(48_000), 48_000, name, TAGS)
    held = _held(file)
    if name == "mp3":
        assert held.tags.version == (2, 4, 0)
        frames = [held.tags[key] for key in ("TIT2", "TALB", "TCON", "TRCK", "COMM::XXX")]
        assert [str(frame) for frame in frames] == [TAGS.title, TAGS.take, "Practice", "3", COMMENT]
        assert {int(frame.encoding) for frame in frames} == {3}
        assert held.info.length == pytest.approx(2.0, abs=0.06)
        assert not held.info.sketchy
    else:
        names = ("title", "album", "genre", "tracknumber", "comment")
        assert {name: held.tags[name] for name in names} == {
            "title": [TAGS.title],
            "album": [TAGS.take],
            "genre": ["Practice"],
            "tracknumber": ["3"],
            "comment": [COMMENT],
        }


@pytest.mark.skipif(not shutil.which("ffprobe"), reason="FFmpeg is not installed")
@pytest.mark.parametrize("name", FORMATS)
def test_ffmpeg_reads_the_tags_and_the_sound(tmp_path: Path, name: str) -> None:
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(48_000), 48_000, name, TAGS)
    asked = ["ffprobe", "-v", "error", "-of", "json", "-show_format", "-show_streams", str(file)]
    told = subprocess.run(asked, capture_output=True, text=True, check=True)
    assert told.stderr == ""
    found = json.loads(told.stdout)
    tags = {
        key.lower(): text
        for part in (found["streams"][0], found["format"])
        for key, text in part.get("tags", {}).items()
    }
    wanted = {"title": TAGS.title, "album": TAGS.take, "genre": "Practice", "track": "3", "comment": COMMENT}
    assert {key: tags.get(key) for key in wanted} == wanted
    assert float(found["format"]["duration"]) == pytest.approx(2.0, abs=0.06)
    decoded = subprocess.run(
        ["ffmpeg", "-v", "error", "-i", str(file), "-f", "null", "-"], capture_output=True, check=True
    )
    assert decoded.stderr == b""


def test_a_name_that_is_no_text_is_written_escaped(tmp_path: Path) -> None:
    for name in FORMATS:
        write_sound(tmp_path / "tone", _tone(48_000), 48_000, name, Tags("a\udce9\n", "caf\udce9", "bass", 60.0, 1))
    assert str(_held(tmp_path / "tone").tags["TALB"]) == "caf\\udce9"


def test_a_size_of_tags_that_needs_several_bytes_is_read_back(tmp_path: Path) -> None:
    (tmp_path / "tags").write_bytes(id3_block("é" * 20_000, "a", "b", "1", "c"))
    assert str(mutagen.id3.ID3(tmp_path / "tags")["TIT2"]) == "é" * 20_000  # pyright: ignore[reportAttributeAccessIssue]


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot write tone\.flac"):
        write_sound(tmp_path / "none" / "tone.flac", _tone(48_000), 48_000, "flac", TAGS)
