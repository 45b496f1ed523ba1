"""The pitch of one string, with the conventions of librosa's estimators of fundamental frequency."""

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.api.split import split
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.parameters import REPORT_S
from thumbline.dsp.rig.model import Rig

#: Reports come this often at least while a string sounds; a moment without one within this time is unvoiced.
REACH_S = 1.5 * REPORT_S


class Track(NamedTuple):
    """The course of a string's pitch, on an even grid; arrays of shape (frames,)."""

    times: NDArray[np.float64]  #: seconds
    f0: NDArray[np.float64]  #: Hz; NaN where the string does not sound
    voiced: NDArray[np.bool_]
    confidence: NDArray[np.float64]  #: share of values like this one that are right, 0 to 1; 0 where unvoiced


def track(y: NDArray[np.floating], rate: int, string: int, *, hop_length: int = 512, rig: Rig | None = None) -> Track:
    """Track the pitch of one string that is played alone.

    As `librosa.pyin`, it gives one value per ``hop_length`` samples, 1 + n // hop_length values in all, the first for
    the first sample; f0 is NaN where nothing sounds. Other than there, the range is that of the string.

    Parameters
    ----------
    y : ndarray, shape (n,)
        The string's signal, full scale 1.
    rate : int
        Samples per second, 22,050 to 192,000.
    string : int
        Number of the string; 1 is the highest.
    hop_length : int
        Samples from one value to the next, 1 or more.
    rig : Rig, optional
        Settings of the guitar; a six-string in standard tuning by default.

    Returns
    -------
    times, f0, voiced, confidence : ndarray, shape (1 + n // hop_length,)
        Seconds; Hz or NaN; bool; share of values like this one that are right, 0 to 1.

    Raises
    ------
    InputError
        If the shape, the rate, the string or ``hop_length`` is not accepted.

    Examples
    --------
    >>> import numpy as np
    >>> import thumbline.dsp as tl
    >>> time = np.arange(24_000) / 24_000
    >>> plucked = sum(np.sin(2 * np.pi * 110 * k * time) / k for k in range(1, 6)) * 0.1 * np.exp(-3 * time)
    >>> y = np.concatenate([np.zeros(12_000), plucked])
    >>> times, f0, voiced, confidence = tl.track(y, 24_000, string=5)
    >>> bool(voiced[times < 0.45].any()), round(float(np.nanmedian(f0)))
    (False, 110)
    """
    rig = Rig() if rig is None else rig
    signal = np.asarray(y)
    if signal.ndim != 1:
        raise InputError(f"y has shape {signal.shape}; accepted: (samples,), one string; for all strings: split()")
    if not 1 <= string <= rig.string_count:
        raise InputError(f"string is {string}; accepted: 1 (the highest) to {rig.string_count}")
    if hop_length < 1:
        raise InputError(f"hop_length is {hop_length}; accepted: 1 or more")
    frames = np.zeros((max(len(signal), max(rig.input.channels)), max(rig.input.channels)))
    frames[: len(signal), rig.input.channels[string - 1] - 1] = signal
    pitch = split(frames, rate, rig).pitch
    own = pitch.strings == string
    reported, hz, sure = pitch.times[own], pitch.hz[own], pitch.confidence[own]
    times = np.arange(1 + len(signal) // hop_length) * hop_length / rate
    f0, confidence = np.full(len(times), np.nan), np.zeros(len(times))
    if not len(reported):
        return Track(times, f0, np.zeros(len(times), np.bool_), confidence)
    after = np.clip(np.searchsorted(reported, times), 1, max(len(reported) - 1, 1))
    before = after - 1
    after = np.minimum(after, len(reported) - 1)
    nearest = np.where(times - reported[before] <= reported[after] - times, before, after)
    voiced = np.abs(reported[nearest] - times) <= REACH_S
    f0[voiced], confidence[voiced] = hz[nearest][voiced], sure[nearest][voiced]
    return Track(times, f0, voiced, confidence)
