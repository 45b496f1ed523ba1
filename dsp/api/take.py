"""A take as an array."""

import os
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration import calibrate as calibration
from thumbline.dsp.calibration.calibrate import Calibration
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.passes import BLOCK
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.rig.model import Rig


def read_take(path: str | os.PathLike[str], rig: Rig | None = None) -> tuple[NDArray[np.float64], int]:
    """Read a take: a sound file with one channel per string, or a folder of mono files.

    Parameters
    ----------
    path : path-like
        WAV, FLAC, AIFF or CAF file, or the folder.
    rig : Rig, optional
        Says how many strings there are and which channels they are on; six by default.

    Returns
    -------
    frames : ndarray, shape (n, channels)
        Samples; full scale is 1.
    rate : int
        Frames per second.

    Raises
    ------
    InputError
        If the take cannot be read, or has too few channels.

    Examples
    --------
    >>> import thumbline.dsp as tl
    >>> frames, rate = tl.read_take("data/demo.flac")
    >>> frames.shape[1], rate
    (6, 48000)
    """
    rig = Rig() if rig is None else rig
    with open_take(path, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
        blocks = list(take.blocks(BLOCK))
        return np.concatenate(blocks) if blocks else np.zeros((0, take.channels)), take.sample_rate


def calibrate(path: str | os.PathLike[str], rig: Rig | None = None) -> Calibration:
    """Measure a guitar from a take in which each open string is played alone.

    Parameters
    ----------
    path : path-like
        The take, as for `read_take`.
    rig : Rig, optional
        Gives strings, tuning and everything that is not measured; a six-string in standard tuning by default.

    Returns
    -------
    Calibration
        ``rig`` is ready for `split`; ``strings`` reports per string, ``warnings`` what should be looked at.

    Raises
    ------
    InputError
        If the take cannot be used, or nothing is played in it.

    Examples
    --------
    >>> import thumbline.dsp as tl
    >>> found = tl.calibrate("data/demo_open_strings.flac")
    >>> [report.note for report in found.strings if report.played]
    ['E4', 'B3', 'G3', 'D3', 'A2', 'E2']
    """
    return calibration.calibrate(Path(path), Rig() if rig is None else rig)


def checked_frames(frames: NDArray[np.floating], rig: Rig) -> NDArray[np.float64]:
    """Return ``frames`` as float64. Raises InputError, which names the shape, for anything but (frames, channels)."""
    array = np.asarray(frames)
    channels = max(rig.input.channels)
    if array.ndim != 2 or not np.issubdtype(array.dtype, np.number) or np.iscomplexobj(array):
        raise InputError(
            f"frames have shape {array.shape} and type {array.dtype}; accepted: real numbers of shape (frames, "
            f"channels), {channels} channels or more; for one string alone: track()"
        )
    if array.shape[1] < channels or (array.shape[0] and array.shape[0] < array.shape[1]):
        turned = "; these look like (channels, frames): pass frames.T" if array.shape[0] < array.shape[1] else ""
        raise InputError(
            f"frames have shape {array.shape}; accepted: (frames, channels), {channels} channels or more{turned}"
        )
    return np.ascontiguousarray(array, np.float64)
