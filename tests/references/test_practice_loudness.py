"""Every track of a practice set, measured by ffmpeg's meter (filter ebur128), which shares no code with ours."""

import os
import re
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.places import DEMO
from thumbline.dsp.files.sound_files import FORMATS
from thumbline.dsp.practice.practice_set import make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.model import Rig


def _ffmpeg() -> str:
    program = shutil.which("ffmpeg")
    if program is None:
        assert not os.environ.get("CI"), "ffmpeg is missing"
        pytest.skip("ffmpeg is not installed")
    return program


def _without_count_ins(track: dict[str, Any], first_bar_s: float) -> str:
    """The filter that leaves out what is counted in, which is no part of a track's loudness."""
    loop, factor = track["loop"], 100.0 / track["speed"]
    if loop is None:
        end_s = first_bar_s * factor - track["starts_s"]
        return f"atrim=start={end_s},asetpts=N/SR/TB," if track["click"] != "off" else ""
    length_s = loop["count_in_s"] + loop["end_s"] - loop["start_s"]
    passes = [(start_s, 100.0 / speed) for start_s, speed in loop["passes"]]
    inside = "+".join(f"between(t,{s + loop['count_in_s'] * f},{s + length_s * f})" for s, f in passes)
    return f"asetnsamples=n=64,aselect='{inside}',asetpts=N/SR/TB,"


def test_all_tracks_are_equally_loud_and_below_the_ceiling(tmp_path: Path) -> None:
    ffmpeg = _ffmpeg()
    settings = PracticeSettings(
        speeds=(100.0, 60.0), loops=("bars 1-2",), repeats=2, click_db=9.0, formats=tuple(FORMATS)
    )
    made = make_practice_set(DEMO, tmp_path, Rig(), settings)
    files = [(track, file) for track in made.index["tracks"] for file in track["files"].values()]
    first_bar_s = made.index["bars"][0]["start_s"]
    assert len(files) == len(FORMATS) * len(made.index["tracks"])
    for track, file in files:
        command = [ffmpeg, "-nostats", "-i", made.folder / file]
        command += ["-filter_complex", f"{_without_count_ins(track, first_bar_s)}ebur128=peak=true", "-f", "null", "-"]
        report = subprocess.run(command, capture_output=True, text=True, check=True).stderr
        summary = report[report.rindex("Summary:") :]
        loudness, peak = (float(re.findall(rf"{what}:\s+(-?[0-9.]+)", summary)[0]) for what in ("I", "Peak"))
        # The report has one decimal: -18.1 to -17.9.
        assert loudness == pytest.approx(-18.0, abs=0.101), file
        assert peak <= -1.0, file
