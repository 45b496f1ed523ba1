"""The limiter against the textbook's feed-forward gain computer, sample by sample in plain Python.

Instant attack, exponential release towards unity: Zölzer (ed.), "DAFX", 2nd edition, Wiley 2011, chapter 4 (the
limiter's equations; number of the chapter from memory).
"""

import numpy as np
import pytest

from thumbline.dsp.kernel.limiter import limit
from thumbline.dsp.memory.records import initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig


@pytest.mark.parametrize("seed", [1, 2, 3])
def test_each_side_is_what_the_gain_computer_makes_of_it(seed: int) -> None:
    params = compile_parameters(Rig(), 48_000)
    p, st = params[0], initial_state(params)[0]
    rng = np.random.default_rng(seed)
    frames = rng.normal(0, 1, (400, 3)) * rng.choice([0.1, 1.0, 10.0], (400, 1))
    gain = [1.0, 1.0]
    for frame in frames:
        out = frame.copy()
        limit(p, st, out)
        for side, columns in enumerate(([0], [1, 2])):
            recovered = gain[side] + p["limiter_release"] * (1.0 - gain[side])
            gain[side] = min(recovered, p["ceiling"] / np.abs(frame[columns]).max())
            np.testing.assert_allclose(out[columns], gain[side] * frame[columns], rtol=1e-12)
    assert min(gain) < 1.0
