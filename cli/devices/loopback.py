"""Round trip through an interface: what to play, and how to find it again in what was recorded.

A maximum-length sequence of ``ORDER`` bits (a click stretched out to carry more energy without being louder) is
played several times and sought by its normalised cross-correlation. Both signals are differentiated
first, which takes hum and rumble away. A find counts only if most repetitions agree to the frame.

Times are frames unless said; levels are relative to what was played.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy import signal

from thumbline.dsp.decibels import amplitude_db, amplitude_of

#: Length of the sequence is 2 ** ORDER - 1 frames.
ORDER = 10
#: Peak of what is played: loud enough for a cable, harmless to ears and loudspeakers.
PEAK_DB = -20.0
#: Repetitions, and the time from one to the next, in seconds: round trips up to this long can be told.
REPETITIONS, PERIOD_S = 7, 0.4
#: Least correlation of a find; chance reaches 0.15 (square root of 2 ln(lags) / length).
LEAST_CORRELATION = 0.3
#: Repetitions that agree within one frame, as a share of all.
LEAST_AGREEMENT = 0.7
#: Samples of a returned click at this level are clipped.
CLIPPED = 0.99


@dataclass(frozen=True)
class RoundTrip:
    """From an output, through a cable, to an input."""

    frames: int  #: median of the repetitions
    rate: int
    spread: int  #: frames between the shortest and the longest of those that agree
    agreed: int  #: repetitions that agree with the median within one frame
    gain_db: float  #: level that came back, relative to what was sent
    inverted: bool  #: whether it came back upside down
    clipped: bool

    @property
    def ms(self) -> float:
        """The round trip in milliseconds."""
        return 1e3 * self.frames / self.rate


def click() -> NDArray[np.float64]:
    """Return the sequence, shape (2 ** ORDER - 1,), values +peak and -peak."""
    bits = np.asarray(signal.max_len_seq(ORDER)[0], np.float64)
    return amplitude_of(PEAK_DB) * (2.0 * bits - 1.0)


def clicks(rate: int) -> NDArray[np.float64]:
    """Return what is to be played, shape (n,): a period of silence, the repetitions, and a period of waiting."""
    period = round(PERIOD_S * rate)
    out = np.zeros((REPETITIONS + 2) * period)
    sequence = click()
    for repetition in range(REPETITIONS):
        start = (repetition + 1) * period
        out[start : start + len(sequence)] = sequence
    return out


def round_trip(recorded: NDArray[np.float64], rate: int) -> RoundTrip | None:
    """Find ``clicks(rate)`` in what was recorded while it was played; both begin at the same frame.

    ``recorded`` has shape (n,), n at least that of what was played. Returns None if nothing, or nothing consistent,
    came back. Raises ValueError if it is too short.
    """
    period = round(PERIOD_S * rate)
    if len(recorded) < (REPETITIONS + 2) * period:
        raise ValueError(f"recorded {len(recorded)} frames; at least {(REPETITIONS + 2) * period} are needed")
    sequence = click()
    finds = [
        _find(sequence, recorded[start : start + period + len(sequence) - 1])
        for start in range(period, (REPETITIONS + 1) * period, period)
    ]
    lags = np.array([lag for lag, _ in finds])
    correlations = np.array([correlation for _, correlation in finds])
    middle = int(np.median(lags))
    agree = (np.abs(lags - middle) <= 1) & (np.abs(correlations) >= LEAST_CORRELATION)
    if agree.sum() < LEAST_AGREEMENT * REPETITIONS:
        return None
    back = [recorded[(i + 1) * period + lags[i] :][: len(sequence)] for i in np.flatnonzero(agree)]
    gain = float(np.mean([sequence @ (each - each.mean()) for each in back])) / float(sequence @ sequence)
    return RoundTrip(
        frames=middle,
        rate=rate,
        spread=int(np.ptp(lags[agree])),
        agreed=int(agree.sum()),
        gain_db=amplitude_db(abs(gain), 1e-10),
        inverted=bool(np.median(correlations[agree]) < 0.0),
        clipped=bool(max(np.max(np.abs(each)) for each in back) >= CLIPPED),
    )


def _find(sequence: NDArray[np.float64], heard: NDArray[np.float64]) -> tuple[int, float]:
    """Lag and correlation, -1 to 1, where ``heard`` is most like ``sequence`` or its inverse."""
    wanted, given = np.diff(sequence), np.diff(heard)
    products = signal.correlate(given, wanted, mode="valid", method="fft")
    energy = np.concatenate([[0.0], np.cumsum(given**2)])
    local = energy[len(wanted) :] - energy[: -len(wanted)]
    floor = 1e-12 * float(wanted @ wanted)  # -120 dB of what was sent: digital silence is like nothing
    correlation = products / np.sqrt(float(wanted @ wanted) * np.maximum(local, floor))
    lag = int(np.argmax(np.abs(correlation)))
    return lag, float(correlation[lag])
