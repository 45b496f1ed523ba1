"""The frequency of one steady partial, from the phases of short stretches of it.

Between two looks a partial turns on by its frequency times the time between them, however little of it each look has
seen: the phase of a windowed stretch at a known frequency is taken, and a straight line through many phases has the
difference as its slope (a phase vocoder: Flanagan and Golden, Bell Syst. Tech. J. 45, 1966). Of a partial of 82 Hz
whose phases are known to a hundredth of a radian, half a second of them tells the pitch to 0.07 cent.
"""

import math
from collections import deque

import numpy as np
from numpy.typing import NDArray

#: A stretch of the partial, in seconds: a dozen periods of E2, so that the window keeps its neighbours out.
WINDOW_S = 0.15
#: Looks that are further apart start anew: the phase may have gone round unseen, in seconds.
LONGEST_GAP_S = 0.25
#: Looks over which the pitch is taken at rest, and while it moves, in seconds.
REST_S, MOVING_S = 1.0, 0.3
#: The two differ by this much while the pitch moves, in cents.
MOVING_CENTS = 0.4
#: A stretch that holds less of the partial than this share of its power is not believed.
LEAST_SHARE = 0.02


class PartialPitch:
    """Follows one partial near ``hz``; ``rate`` is that of the signal it is fed."""

    def __init__(self, hz: float, rate: float) -> None:
        self._hz, self._rate = hz, rate
        length = round(WINDOW_S * rate)
        self._window: NDArray[np.float64] = np.hanning(length + 2)[1:-1]
        self._phases: deque[tuple[float, float]] = deque()

    @property
    def length(self) -> int:
        """Samples of a stretch."""
        return len(self._window)

    def feed(self, stretch: NDArray[np.floating], first: int) -> None:
        """Take the ``length`` newest samples, oldest first; ``first`` is the number of the first of them."""
        times_s = (first + np.arange(self.length)) / self._rate
        weighted = self._window * stretch
        turned = complex(np.sum(weighted * np.exp(-2j * np.pi * ((self._hz * times_s) % 1.0))))
        # Share of the stretch's power that a sine of this size has.
        power = float(np.mean(np.square(stretch))) or 1.0
        amplitude = 2.0 * abs(turned) / float(np.sum(self._window))
        at_s = (first + 0.5 * (self.length - 1)) / self._rate
        if 0.5 * amplitude**2 < LEAST_SHARE * power or (self._phases and at_s - self._phases[-1][0] > LONGEST_GAP_S):
            self._phases.clear()
            return
        phase = math.atan2(turned.imag, turned.real)
        if self._phases:
            before_s, before = self._phases[-1]
            expected = before + self._slope(MOVING_S) * (at_s - before_s)
            phase = expected + math.remainder(phase - expected, 2.0 * math.pi)
        self._phases.append((at_s, phase))
        while at_s - self._phases[0][0] > REST_S:
            self._phases.popleft()

    @property
    def hz(self) -> float | None:
        """The frequency now; None until enough has been heard."""
        if len(self._phases) < 3 or self._phases[-1][0] - self._phases[0][0] < 0.5 * MOVING_S:
            return None
        return self._over(MOVING_S) if self._moves else self._over(REST_S)

    @property
    def rests(self) -> bool:
        """Whether the pitch has stayed where it is for as long as it is averaged."""
        return len(self._phases) > 3 and self._phases[-1][0] - self._phases[0][0] > 0.8 * REST_S and not self._moves

    @property
    def _moves(self) -> bool:
        return abs(1200.0 * math.log2(self._over(MOVING_S) / self._over(REST_S))) > MOVING_CENTS

    def _over(self, span_s: float) -> float:
        return self._hz + self._slope(span_s) / (2.0 * math.pi)

    def _slope(self, span_s: float) -> float:
        """Radians per second by which the phase turns on over the last ``span_s``: the line of least squares."""
        end_s = self._phases[-1][0]
        times = np.array([(at_s - end_s, phase) for at_s, phase in self._phases if end_s - at_s <= span_s])
        if len(times) < 2:
            return 0.0
        at = times[:, 0] - times[:, 0].mean()
        return float(at @ times[:, 1] / (at @ at))
