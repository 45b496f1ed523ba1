"""The practice page as a file: whole, alone, and nothing in it that a name could break."""

import base64
import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr

from tests.material.practice_folder import PAGE, RATE, make_folder, page_stems, write_page_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.page import page_text
from thumbline.dsp.practice.page_sound import BEFORE_S, BLOCK_S, PageStem, elements


def test_the_page_needs_nothing_but_itself(tmp_path: Path) -> None:
    index = make_folder(tmp_path)
    write_page_of(tmp_path, index)
    text = (tmp_path / PAGE).read_text("utf-8")
    assert not re.findall(r"@(?:title|style|index|sounds|tape|script)@", text)
    assert not re.findall(r"(?:src|href)\s*=\s*[\"'](?!data:)", text)
    assert not re.findall(r"https?://", text)
    assert not re.findall(r"\bimport\b|\bfetch\(", text)


def blocks_of(text: str, part: str) -> list[np.ndarray]:
    """Decode the blocks by libsndfile."""
    found = re.findall(rf'data-stem="{part}">([^<]*)<', text)
    return [soundfile.read(io.BytesIO(base64.b64decode(block)), always_2d=True)[0] for block in found]


@pytest.mark.parametrize(("rate", "seconds"), [(48_000, 25.003), (44_100, 20.0)])
def test_the_blocks_join_to_the_sound(rate: int, seconds: float) -> None:
    """Joins are held to the middle of blocks: what the codec does to the sound is no more there than elsewhere."""
    time_s = np.arange(round(seconds * rate)) / rate
    sound = (0.2 * np.sin(2 * np.pi * (80.0 + 20.0 * time_s) * time_s)).astype(np.float32)[:, None]  # 80 to 1080 Hz
    text = "\n".join(elements([PageStem("bass", sound, rate)]))
    before, length = round(BEFORE_S * RATE), round(BLOCK_S * RATE)
    frames = round(seconds * RATE)
    blocks = blocks_of(text, "bass")
    assert len(blocks) == -(-frames // length)
    joined = np.concatenate(
        [block[before : before + min(length, frames - i * length)] for i, block in enumerate(blocks)]
    )
    assert len(joined) == frames
    wanted = sound if rate == RATE else soxr.resample(sound, rate, RATE)
    error = np.abs(joined - wanted)[:, 0]
    for join in range(length, frames - RATE // 10, length):
        about = error[join - RATE // 100 : join + RATE // 100].max()
        assert about < 2.0 * error[RATE : 9 * RATE].max()
    assert 10 * np.log10(np.mean(error**2) / np.mean(wanted**2)) < -20.0


def test_five_minutes_take_eight_megabytes_at_most() -> None:
    """Of sound as dense as sound can be, so that no codec gets by with less."""
    rng = np.random.default_rng(4)
    noise = (0.1 * rng.standard_normal((20 * RATE, 2))).astype(np.float32)
    size = sum(map(len, elements([PageStem("bass", noise[:, :1], RATE), PageStem("guitar", noise, RATE)])))
    assert size * 15 < 8e6


@pytest.mark.parametrize("name", ["</script><b>", "a & b", "<!--", "@index@", "Ebbe & Flut é"])
def test_a_name_is_a_name_whatever_it_holds(tmp_path: Path, name: str) -> None:
    text = page_text({**make_folder(tmp_path), "take": name}, tmp_path / "overview.png", page_stems())
    found = re.search(r'<script type="application/json" id="index">(.*?)</script>', text, re.S)
    assert found
    assert json.loads(found[1])["take"] == name
    assert text.count("<title>") == 1
    assert f"<title>{name.split('<')[0].split('&')[0]}" in text


def test_a_folder_that_lacks_its_picture_is_refused(tmp_path: Path) -> None:
    index = make_folder(tmp_path)
    (tmp_path / "overview.png").unlink()
    with pytest.raises(InputError, match=r"overview\.png: is missing"):
        write_page_of(tmp_path, index)
    assert not (tmp_path / PAGE).exists()


def test_ears_are_thought_of_beside_the_levels(tmp_path: Path) -> None:
    text = page_text(make_folder(tmp_path), tmp_path / "overview.png", page_stems())
    levels = text[text.index("<legend>Levels</legend>") : text.index("<legend>Loop</legend>")]
    assert "Headphones: set the volume low before you press Play." in levels
    assert "you can safely listen at each level" in text
