"""The processor's state before the first frame."""

import numpy as np

from thumbline.dsp.records import SMOOTH, STATE


def initial_state(params: np.ndarray) -> np.ndarray:
    """Return an array of one ``STATE`` record at rest, for the setting in ``params`` (dtype ``PARAMS``, shape (1,))."""
    state = np.zeros(1, STATE)
    st = state[0]
    st["hum_re"] = 1.0
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
