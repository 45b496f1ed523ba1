"""How long `thumbline practice` takes for five minutes of six strings, beside a stretch of a reference library.

Run with::

    python -m pytest tests/benchmarks/test_practice_speed.py --benchmark-only -n 0

The command is run as a user runs it, from its start to its end, on a machine that has run it before: the default set,
twelve tracks, three click stems, pictures, MIDI and page. The library stretches five minutes of two channels to 75 and
60 %, which is what the set needs at the least if it were made of sums; it writes no file. The take is the demo take
over and over, with hum of an alternating sign, so that the hum is found and removed.
"""

import os
import shutil
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DEMO

MINUTES = 5
GROUP = "five minutes"


@pytest.fixture(scope="module")
def take(tmp_path_factory: pytest.TempPathFactory) -> Path:
    demo, rate = soundfile.read(DEMO)
    frames = 60 * MINUTES * rate
    sound = np.tile(demo, (-(-frames // len(demo)), 1))[:frames]
    time_s = np.arange(frames) / rate
    hum = sum(0.001 / k * np.sin(2 * np.pi * 50.02 * k * time_s) for k in (1, 2, 3))
    path = tmp_path_factory.mktemp("takes") / "five minutes.flac"
    soundfile.write(path, sound + np.outer(hum, [0.6, -0.7, 0.8, -0.9, 1.0, 0.5]), rate, "PCM_24")
    return path


@pytest.mark.benchmark(group=GROUP)
def test_a_practice_set_of_twelve_tracks(benchmark: Any, take: Path, tmp_path: Path) -> None:
    out = tmp_path / "practice"
    command = [sys.executable, "-m", "thumbline.cli", "practice", str(take), "--out", str(out)]

    def clear() -> None:
        shutil.rmtree(out, ignore_errors=True)

    before = os.times()
    benchmark.pedantic(lambda: subprocess.run(command, check=True), setup=clear, rounds=3, warmup_rounds=1)
    spent = os.times()
    processor_s = spent.children_user + spent.children_system - before.children_user - before.children_system
    assert len(list((out / take.stem).glob("*-*.flac"))) == 15  # twelve tracks and three click stems
    benchmark.extra_info["processor_s"] = round(processor_s / 4, 1)
    benchmark.extra_info["cores"] = os.cpu_count()


@pytest.mark.benchmark(group=GROUP)
def test_librosa_stretches_two_channels_to_two_speeds(benchmark: Any, take: Path) -> None:
    import librosa

    sound, _ = soundfile.read(take, dtype="float32")
    channels = np.ascontiguousarray(sound[:, :2].T)

    def stretch() -> None:
        for rate in (0.75, 0.6):
            librosa.effects.time_stretch(channels, rate=rate)

    benchmark.pedantic(stretch, rounds=3)
