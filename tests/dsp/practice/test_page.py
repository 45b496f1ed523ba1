"""The practice page as a file: whole, alone, and nothing in it that a name could break."""

import base64
import io
import json
import re
from pathlib import Path

import numpy as np
import pytest
import soundfile

from tests.material.practice_folder import PAGE, RATE, make_folder, write_page_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.practice.page import page_text


def test_the_page_needs_nothing_but_itself(tmp_path: Path) -> None:
    index = make_folder(tmp_path)
    write_page_of(tmp_path, index)
    text = (tmp_path / PAGE).read_text("utf-8")
    assert not re.findall(r"@(?:title|style|index|sounds|tape|script)@", text)
    assert not re.findall(r"(?:src|href)\s*=\s*[\"'](?!data:)", text)
    assert not re.findall(r"https?://", text)
    assert not re.findall(r"\bimport\b|\bfetch\(", text)


def test_the_stems_in_the_page_are_the_sound_of_the_folder_at_its_level_in_the_mix(tmp_path: Path) -> None:
    text = page_text(make_folder(tmp_path, mix_gain_db=-6.0), tmp_path.joinpath)
    found = re.search(r'data-stem="bass">([^<]*)<', text)
    assert found
    sound, rate = soundfile.read(io.BytesIO(base64.b64decode(found[1])))
    folder, _ = soundfile.read(tmp_path / "bass-100.flac")
    assert rate == RATE
    assert sound == pytest.approx(folder * 10 ** (-6 / 20), abs=2**-15)


def test_a_count_in_before_the_sound_is_left_out(tmp_path: Path) -> None:
    index = make_folder(tmp_path)
    plain = page_text(index, tmp_path.joinpath)
    lead = 0.5
    for stem in index["stems"]:
        path = tmp_path / stem["files"]["flac"]
        sound, _ = soundfile.read(path)
        soundfile.write(path, np.concatenate([np.ones(round(lead * RATE)) * 0.3, sound]), RATE)
        stem["starts_s"] = -lead
    assert page_text(index, tmp_path.joinpath) == plain


@pytest.mark.parametrize("name", ["</script><b>", "a & b", "<!--", "@index@", "Ebbe & Flut é"])
def test_a_name_is_a_name_whatever_it_holds(tmp_path: Path, name: str) -> None:
    text = page_text({**make_folder(tmp_path), "take": name}, tmp_path.joinpath)
    found = re.search(r'<script type="application/json" id="index">(.*?)</script>', text, re.S)
    assert found
    assert json.loads(found[1])["take"] == name
    assert text.count("<title>") == 1
    assert f"<title>{name.split('<')[0].split('&')[0]}" in text


@pytest.mark.parametrize(("missing", "message"), [("bass-100.flac", "bass stem"), ("overview.png", r"overview\.png:")])
def test_a_folder_that_lacks_a_file_is_refused(tmp_path: Path, missing: str, message: str) -> None:
    index = make_folder(tmp_path)
    (tmp_path / missing).unlink()
    with pytest.raises(InputError, match=f"{message} is missing"):
        write_page_of(tmp_path, index)
    assert not (tmp_path / PAGE).exists()
