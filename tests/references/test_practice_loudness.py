"""Every track of a practice set, measured by ffmpeg's meter (filter ebur128), which shares no code with ours."""

import os
import re
import shutil
import subprocess
from pathlib import Path

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


def test_all_tracks_are_equally_loud_and_below_the_ceiling(tmp_path: Path) -> None:
    ffmpeg = _ffmpeg()
    settings = PracticeSettings(speeds=(100.0, 60.0), loops=("bars 1-2",), repeats=2, formats=tuple(FORMATS))
    made = make_practice_set(DEMO, tmp_path, Rig(), settings)
    files = [file for track in made.index["tracks"] for file in track["files"].values()]
    assert len(files) == len(FORMATS) * len(made.index["tracks"])
    for file in files:
        command = [ffmpeg, "-nostats", "-i", made.folder / file]
        command += ["-filter_complex", "ebur128=peak=true", "-f", "null", "-"]
        report = subprocess.run(command, capture_output=True, text=True, check=True).stderr
        summary = report[report.rindex("Summary:") :]
        loudness, peak = (float(re.findall(rf"{what}:\s+(-?[0-9.]+)", summary)[0]) for what in ("I", "Peak"))
        # The report has one decimal: -18.1 to -17.9.
        assert loudness == pytest.approx(-18.0, abs=0.101), file
        assert peak <= -1.0, file
