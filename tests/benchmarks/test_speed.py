"""How fast the processor is, beside two trackers of a reference library on the same six channels in the same run.

Run with::

    python -m pytest tests/benchmarks --benchmark-only -n 0

Absolute times are those of one machine on one day; what counts is the ratio between rows of one table. Each row handles
the same ten seconds of the demo take; the extra column ``times_real_time`` divides that by the fastest round. The
processor does everything: conditioning, bleed removal, activity, pitch, choice, bass voice, remainder, limiter. The
trackers of librosa (its version is in the table) only find pitch.
"""

from importlib.metadata import version
from time import perf_counter
from typing import Any

import librosa
import numpy as np
import pytest
import soundfile

from tests.helpers.places import DATA
from thumbline.dsp.processor.processor import Processor, warm_up
from thumbline.dsp.rig.file import load_rig
from thumbline.dsp.rig.model import Rig

SECONDS = 10.0
LOWEST_HZ, HIGHEST_HZ = 75.0, 1400.0
ONE_CHANNEL = "ten seconds of one channel at 48 kHz"

librosa.yin(np.zeros(8192), fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=48000)  # its own kernels are compiled by now


@pytest.fixture(scope="module")
def frames() -> np.ndarray:
    audio, rate = soundfile.read(DATA / "demo.flac")
    assert rate == 48000
    return np.ascontiguousarray(audio[: int(SECONDS * rate)])


def _note_speed(benchmark: Any, group: str = "ten seconds of six strings at 48 kHz") -> None:
    benchmark.group = group
    benchmark.extra_info["times_real_time"] = round(SECONDS / benchmark.stats.stats.min, 1)


@pytest.mark.benchmark(min_rounds=5)
@pytest.mark.parametrize("bass", [{}, {"bass.voice": "synth"}, {"bass.character": "fingered"}], ids=str)
def test_processor(benchmark: Any, frames: np.ndarray, bass: dict[str, str]) -> None:
    rig = load_rig(DATA / "demo.toml").changed(bass)
    warm_up()
    benchmark.pedantic(
        lambda processor: processor.process(frames), setup=lambda: ((Processor(rig, 48000),), {}), rounds=7
    )
    _note_speed(benchmark)


@pytest.mark.benchmark(min_rounds=5)
def test_processor_in_blocks_of_64_frames(benchmark: Any, frames: np.ndarray) -> None:
    rig = load_rig(DATA / "demo.toml")

    def blocks(processor: Processor) -> None:
        for first in range(0, len(frames), 64):
            processor.process(frames[first : first + 64])

    warm_up()
    benchmark.pedantic(blocks, setup=lambda: ((Processor(rig, 48000),), {}), rounds=5)
    _note_speed(benchmark)


def _seconds_to_decide(processor: Processor, frames: np.ndarray) -> float:
    begun = perf_counter()
    processor.decide(frames)
    return perf_counter() - begun


def test_one_string_of_the_processor(benchmark: Any, frames: np.ndarray) -> None:
    """What one string costs: ten strings less four, by six. No rig has one string alone.

    It is the cost of decisions: conditioning, bleed and mains removal, activity, pitch, choice. The six strings are
    those of the demo take; the four are its first four, a second late, so that no string echoes another.
    """
    rig = load_rig(DATA / "demo.toml")
    notes = rig.instrument.strings
    ten_frames = np.hstack([np.roll(frames[:, :4], 48000, axis=0), frames])

    def processor(strings: tuple[str, ...]) -> Processor:
        return Processor(Rig.model_validate({"instrument": {"strings": strings}, "input": {"mains_hz": 50}}), 48000)

    warm_up()
    processor(notes[:4]).decide(ten_frames[:1])  # the kernel is loaded by now
    four_s: list[float] = []

    def ten_after_four() -> tuple[tuple[Processor], dict[str, Any]]:
        four_s.append(_seconds_to_decide(processor(notes[:4]), ten_frames))
        return (processor(notes[:4] + notes),), {}

    benchmark.pedantic(lambda ten: ten.decide(ten_frames), setup=ten_after_four, rounds=9)
    benchmark.group = ONE_CHANNEL
    one_s = (benchmark.stats.stats.min - min(four_s)) / 6
    assert one_s > 0.0
    benchmark.extra_info["times_real_time_one_channel"] = round(SECONDS / one_s, 1)


def test_librosa_yin_on_one_channel(benchmark: Any, frames: np.ndarray) -> None:
    channel = np.ascontiguousarray(frames[:, -1])
    benchmark.pedantic(lambda: librosa.yin(channel, fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=48000), rounds=5)
    benchmark.group = ONE_CHANNEL
    benchmark.extra_info["librosa"] = version("librosa")
    benchmark.extra_info["times_real_time_one_channel"] = round(SECONDS / benchmark.stats.stats.min, 1)


def test_librosa_yin(benchmark: Any, frames: np.ndarray) -> None:
    def track() -> None:
        for channel in frames.T:
            librosa.yin(np.ascontiguousarray(channel), fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=48000)

    benchmark.pedantic(track, rounds=3)
    benchmark.extra_info["librosa"] = version("librosa")
    _note_speed(benchmark)


def test_librosa_pyin(benchmark: Any, frames: np.ndarray) -> None:
    def track() -> None:
        for channel in frames.T:
            librosa.pyin(np.ascontiguousarray(channel), fmin=LOWEST_HZ, fmax=HIGHEST_HZ, sr=48000)

    benchmark.pedantic(track, rounds=1)
    benchmark.extra_info["librosa"] = version("librosa")
    _note_speed(benchmark)
