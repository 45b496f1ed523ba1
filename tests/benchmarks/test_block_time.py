"""How much of a block's time the engine's own work takes: six strings, 48 kHz, blocks of 64 frames.

Run with::

    python -m pytest tests/benchmarks/test_block_time.py --benchmark-only -n 0 -s

The native callback is called block by block over the whole demo take and then as much digital silence (which is where
slow arithmetic with numbers next to zero would show). Printed: the median and the 99.9th percentile of the work, by the
callback's own clock, in microseconds and as a share of the block. The bound is the design's: a tenth.
"""

from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from thumbline.cli.console.make_memory import create
from thumbline.cli.console.routing import make_routing
from thumbline.cli.engine.callback import call
from thumbline.dsp.rig.file import load_rig

BLOCK, RATE = 64, 48_000
#: The work's share of a block in the median, at most.
SHARE = 0.1


@pytest.mark.parametrize("voice", ["shifted", "synth"])
def test_block_time(benchmark: Any, tmp_path: Path, voice: str) -> None:
    rig = load_rig(DATA / "demo.toml")
    rig = rig.model_copy(update={"bass": rig.bass.model_copy(update={"voice": voice})})
    routing = make_routing([1], [2])
    live = create(tmp_path / "memory", [("demo", rig)], rate=RATE, block_frames=BLOCK, routing=routing)
    live.engine.rate = RATE
    live.request.sound_on = 1
    demo = soundfile.read(DATA / "demo.flac", dtype="float32")[0]
    frames = np.concatenate([demo, np.zeros_like(demo)])
    frames = np.ascontiguousarray(frames[: len(frames) // BLOCK * BLOCK].reshape(-1, BLOCK, 6))
    out = np.zeros((BLOCK, 2), np.float32)
    for block in frames[:200]:
        call(live, block, out)
    work_us = np.zeros(len(frames))

    def play() -> None:
        for place, block in enumerate(frames):
            call(live, block, out)
            work_us[place] = 1e-3 * live.engine.work_ns

    benchmark.pedantic(play, rounds=1)
    block_us = 1e6 * BLOCK / RATE
    half = len(work_us) // 2
    for name, part in (("demo", work_us[:half]), ("silence", work_us[half:])):
        median, late = np.percentile(part, [50.0, 99.9])
        print(f"\n{voice}, {name}: median {median:.1f} us ({100 * median / block_us:.2f} %), "
              f"p99.9 {late:.1f} us ({100 * late / block_us:.2f} %) of {block_us:.0f} us")  # fmt: skip
        benchmark.extra_info[f"{name}_median_us"] = round(float(median), 1)
        benchmark.extra_info[f"{name}_p999_us"] = round(float(late), 1)
        assert median <= SHARE * block_us
