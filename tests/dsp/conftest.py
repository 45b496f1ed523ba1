"""What the tests of the compiled kernels share: frames in which model strings are plucked."""

from collections.abc import Callable, Mapping

import numpy as np
import pytest

from thumbline.dsp.string_model import GuitarString, Pluck, Signal, damping, render_pluck

STANDARD_TUNING = (64.0, 59.0, 55.0, 50.0, 45.0, 40.0)


@pytest.fixture(scope="session")
def play() -> Callable[..., Signal]:
    """Return a function that renders plucks, string number -> pluck, as frames (n, strings)."""

    def render(
        plucks: Mapping[int, Pluck],
        seconds: float,
        rate: int = 48_000,
        open_midi: tuple[float, ...] = STANDARD_TUNING,
        inharmonicity: float = 0.0,
    ) -> Signal:
        frames = np.zeros((round(seconds * rate), len(open_midi)))
        time = np.arange(len(frames)) / rate
        for number, pluck in plucks.items():
            string = GuitarString(open_midi[number - 1], inharmonicity, sensitivity=0.3)
            begin = int(np.searchsorted(time, pluck.start_s))
            note, _ = render_pluck(string, pluck, time[begin:] - pluck.start_s)
            frames[begin:, number - 1] = note * damping(time[begin:], pluck.stop_s, pluck.damp_s)
        return frames

    return render
