from pathlib import Path
from typing import Any

import mutagen
import numpy as np
import pytest
import soundfile

from thumbline.dsp.errors import InputError
from thumbline.dsp.sound_files import FORMATS, Tags, write_sound, write_tags

TAGS = Tags("Slack Water: bass alone", "Slack Water", "bass", 107.2, 3, 75)


def _tone(rate: int, channels: int = 1) -> np.ndarray:
    tone = 0.5 * np.sin(2 * np.pi * 220 * np.arange(2 * rate) / rate)
    return np.repeat(tone[:, None], channels, axis=1).astype(np.float32)


@pytest.mark.parametrize("rate", [44_100, 48_000, 96_000])
@pytest.mark.parametrize("name", FORMATS)
def test_every_format_holds_the_sound(tmp_path: Path, name: str, rate: int) -> None:
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(rate, 2), rate, name)
    write_tags(file, name, TAGS)
    sound, read_rate = soundfile.read(file)
    assert len(sound) / read_rate == pytest.approx(2.0, abs=0.06)
    assert np.std(sound[read_rate // 2 : read_rate]) == pytest.approx(0.5 / np.sqrt(2), rel=0.02)


@pytest.mark.parametrize("name", ["flac", "wav"])
def test_lossless_formats_are_exact_to_24_bits(tmp_path: Path, name: str) -> None:
    write_sound(tmp_path / "tone", _tone(48_000), 48_000, name)
    sound, _ = soundfile.read(tmp_path / "tone", always_2d=True)
    assert np.max(np.abs(sound - _tone(48_000))) <= 2**-23


@pytest.mark.parametrize("name", FORMATS)
def test_tags_say_title_tempo_and_part(tmp_path: Path, name: str) -> None:
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(48_000), 48_000, name)
    write_tags(file, name, Tags("before", "x", "guitar", 60.0, 1, 1))
    write_tags(file, name, TAGS)
    held = mutagen.File(file)
    assert held is not None
    tags: Any = held.tags
    if name in ("mp3", "wav"):
        assert (str(tags["TIT2"]), str(tags["TALB"]), str(tags["TIT3"])) == (TAGS.title, TAGS.take, "bass")
        assert (str(tags["TBPM"]), str(tags["TRCK"]), str(tags["TPOS"])) == ("107", "3", "75")
    else:
        assert (tags["title"], tags["album"], tags["part"]) == ([TAGS.title], [TAGS.take], ["bass"])
        assert (tags["bpm"], tags["tracknumber"], tags["discnumber"]) == (["107.2"], ["3"], ["75"])


@pytest.mark.parametrize("name", FORMATS)
def test_a_tempo_that_is_not_known_is_not_tagged(tmp_path: Path, name: str) -> None:
    file = tmp_path / f"tone.{name}"
    write_sound(file, _tone(48_000), 48_000, name)
    write_tags(file, name, Tags("Rip: bass alone", "Rip", "bass", None, 1, 100))
    held = mutagen.File(file)
    assert held is not None
    tags: Any = held.tags
    assert not {"TBPM", "TXXX:tempo", "bpm"} & set(tags.keys())


def test_a_file_that_cannot_be_written_is_named(tmp_path: Path) -> None:
    with pytest.raises(InputError, match=r"cannot write tone\.flac"):
        write_sound(tmp_path / "none" / "tone.flac", _tone(48_000), 48_000, "flac")
