"""The mains canceller against the adaptive noise canceller as it is printed: references, weights, error, one by one.

Widrow et al., "Adaptive Noise Cancelling: Principles and Applications", Proc. IEEE 63 (1975): e = d - w . x,
w <- w + step e x, with a cosine and a sine of each harmonic for x. Here weights move once a hop and by an older error.
"""

import numpy as np
from scipy.signal import lfilter

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.conditioning import adapt_to_hum, condition
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HARMONICS, HOP, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig

RATE, MAINS_HZ = 48_000, 49.93


@kernel
def _rest(p: Record, st: Record, frames: np.ndarray, clean: np.ndarray) -> None:
    """All strings at rest: condition every frame, adapt every hop."""
    for i in range(frames.shape[0]):
        condition(p, st, frames[i])
        clean[i] = st.clean[: clean.shape[1]]
        if (st.frame + 1) % p.decimation == 0:
            if (st.tick + 1) % HOP == 0:
                adapt_to_hum(p, st)
            st.tick += 1
        st.frame += 1


def test_hum_is_removed_as_the_textbook_does_it() -> None:
    params = compile_parameters(Rig.model_validate({"input": {"mains_hz": MAINS_HZ}}), RATE)
    p, state = params[0], initial_state(params)
    n = RATE // 4
    time = np.arange(n) / RATE
    rng = np.random.default_rng(4)
    hum = np.sum([np.sin(2 * np.pi * k * MAINS_HZ * time + k) / k for k in range(1, 8)], axis=0)
    frames = 0.01 * hum[:, np.newaxis] * np.arange(1, 7) + rng.normal(0, 1e-4, (n, 6))
    clean = np.empty((n, 6))
    _rest(p, state[0], frames, clean)

    desired = np.asarray(lfilter([1.0, -1.0], [1.0, -p["dc_pole"]], frames, axis=0))
    harmonics = np.arange(1, HARMONICS + 1)
    expected = np.empty((n, 6))
    weights = np.zeros((2, HARMONICS, 6))
    delay, hop_frames = int(p["hum_delay"]), HOP * int(p["decimation"])
    for f in range(n):
        turn = 2 * np.pi * MAINS_HZ / RATE * harmonics
        expected[f] = desired[f] - np.cos(turn * (f + 1)) @ weights[0] - np.sin(turn * (f + 1)) @ weights[1]
        if (f + 1) % hop_frames == 0:
            tick = (f + 1) // int(p["decimation"]) - 1
            step = max(p["hum_step"], min(p["hum_first_step"], 2 * HOP / (tick + 1)))
            error = expected[f - delay] if f >= delay else np.zeros(6)
            weights[0] += step * np.outer(np.cos(turn * (f + 1 - delay)), error)
            weights[1] += step * np.outer(np.sin(turn * (f + 1 - delay)), error)
    np.testing.assert_allclose(clean, expected, atol=1e-7)
    assert np.std(clean[-2000:]) < 0.2 * np.std(desired[-2000:])
