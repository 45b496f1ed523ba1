"""The processor's state before the first frame, and what it takes over from one that ended."""

import numpy as np

from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HUM_AWAITED, HUM_KNOWN, SMOOTH, STATE


def initial_state(params: np.ndarray) -> np.ndarray:
    """Return an array of one ``STATE`` record at rest, for the setting in ``params`` (dtype ``PARAMS``, shape (1,))."""
    state = np.zeros(1, STATE)
    st = state[0]
    st["hum_re"] = 1.0
    st["hum_phase"] = HUM_AWAITED if params[0]["hum_harmonics"] else HUM_KNOWN
    st["bass"] = st["wanted"] = st["lead"] = -1
    st["heads"]["string"] = -1
    st["dynamics_gain"] = st["dynamics_target"] = 1.0
    st["limiter_gain"] = 1.0
    st["rest_gain"][: params[0]["strings"]] = 1.0
    for controls in (st["controls"], st["heard"]):
        controls["split"] = 1
        controls["level"] = 1.0
    st["ratio"] = params[0]["ratio"]
    for name in SMOOTH.names or ():
        st["now"][name] = params[0][name]
    return state


def keep_hum(before: Record, after: Record) -> None:
    """Hand what a state has learned of the hum to the one that takes its place, which is at rest.

    The hum goes on meanwhile, for a time that nobody knows, so its phase is looked for once there is sound.
    """
    # A state that ended before it had found the phase has not used what it was handed.
    names = ("hum_kept_a", "hum_kept_b") if before["hum_kept"] else ("hum_a", "hum_b")
    a, b = (np.array(before[name]) for name in names)
    if np.isfinite(a).all() and np.isfinite(b).all() and (a.any() or b.any()):
        after["hum_kept"], after["hum_kept_a"], after["hum_kept_b"] = 1, a, b
