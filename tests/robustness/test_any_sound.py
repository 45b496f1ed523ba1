"""Whatever comes in, for whatever rig: nothing above the ceiling goes out, nothing that is no number, and no crash."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from numpy.typing import NDArray

from tests.dsp.rig.test_file import rigs
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

KINDS = ("bits", "bits of 32", "noise", "square", "impulses", "steps", "silence", "denormal", "sine")


def sound(kind: str, seed: int, frames: int, channels: int, gain: float) -> NDArray[np.float64]:
    """Frames of one kind; "bits" are any patterns of bits, among them NaN, infinities and denormals."""
    rng = np.random.default_rng(seed)
    shape = (frames, channels)
    with np.errstate(all="ignore"):
        if kind == "bits":
            return rng.integers(0, 2**64, shape, np.uint64).view(np.float64)
        if kind == "bits of 32":
            return rng.integers(0, 2**32, shape, np.uint32).view(np.float32).astype(np.float64)
        made = {
            "noise": rng.standard_normal(shape),
            "square": np.sign(rng.standard_normal(shape)),
            "impulses": (rng.random(shape) < 0.002) * rng.choice([-1.0, 1.0, np.nan, np.inf], shape),
            "steps": np.repeat(rng.uniform(-1, 1, (frames // 100 + 1, channels)), 100, axis=0)[:frames],
            "silence": np.zeros(shape),
            "denormal": np.full(shape, 5e-324),
            "sine": np.sin(np.arange(frames)[:, None] * rng.uniform(0.001, 3.0, channels)),
        }[kind]
        return made * (1.0 if kind == "denormal" else gain)


GAINS = st.sampled_from([1e-320, 1e-9, 1e-3, 1.0, 30.0, 32768.0, 1e6, 1e300])


@settings(max_examples=60, deadline=None)
@given(
    rig=rigs(),
    parts=st.lists(st.tuples(st.sampled_from(KINDS), st.integers(0, 999), GAINS), min_size=1, max_size=4),
    rate=st.sampled_from([22_050, 44_056, 47_952, 48_000, 96_000, 192_000]),
)
def test_no_sound_and_no_rig_lets_anything_past_the_ceiling(
    rig: Rig, parts: list[tuple[str, int, float]], rate: int
) -> None:
    try:
        processor = Processor(rig, rate)
    except InputError:  # strings too low to be tracked
        return
    channels = max(rig.input.channels)
    ceiling = 10.0 ** (rig.output.ceiling_db / 20.0)
    for kind, seed, gain in parts:
        out, events = processor.process(sound(kind, seed, 1500, channels, gain))
        assert np.isfinite(out).all()
        assert np.abs(out).max() <= ceiling
        for name in ("value", "extra", "level"):
            assert not np.isnan(events[name]).any(), name
    processor.finish()


@pytest.mark.parametrize("kind", KINDS)
def test_after_any_sound_a_string_is_heard_again(kind: str, frames: NDArray[np.float64]) -> None:
    """Nothing that came in stays behind: half a second later the same notes are found.

    After samples that are up to a million times full scale, as bits of any kind may be, it takes up to two seconds
    until what could still ring of them has died away.
    """
    from tests.material.short_take import PLUCKS, RATE
    from thumbline.dsp.memory.events import NOTE

    processor = Processor(Rig(), RATE)
    for seed in range(3):
        processor.process(sound(kind, seed, RATE // 3, 6, 1.0))
    processor.process(np.zeros((2 * RATE if "bits" in kind else RATE // 2, 6)))
    begun = int(processor.state[0]["frame"])
    _, events = processor.process(frames)
    found = [(int(note["string"]), (note["frame"] - begun) / RATE) for note in events[events["kind"] == NOTE]]
    assert [string for string, _ in found] == [string for string, _, _ in PLUCKS]
    for (_, onset_s), (_, start_s, _) in zip(found, PLUCKS, strict=True):
        assert onset_s == pytest.approx(start_s, abs=0.01)
