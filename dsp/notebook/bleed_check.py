"""Bleed before and after it is taken out: the same measurement twice."""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.bleed import estimate_bleed, played_strings
from thumbline.dsp.calibration.survey import block_moments, floor_power, with_values
from thumbline.dsp.decibels import amplitude_db, amplitude_of
from thumbline.dsp.rig.model import Rig

#: Less than this is drawn as nothing, in dB.
LEAST_DB = -80.0


@dataclass(frozen=True, eq=False)
class BleedCheck:
    """How much of each string is heard in each channel: row the channel's string, column the string that is heard.

    Both are matrices as in the rig (`bleed.matrix`): amplitudes, with ones on the diagonal.
    """

    before: NDArray[np.float64]
    after: NDArray[np.float64]
    played: NDArray[np.bool_]  #: of strings that were not played nothing can be said

    @property
    def worst_before_db(self) -> float:
        """The strongest bleed as it comes from the pickup."""
        return worst_db(self.before)

    @property
    def worst_after_db(self) -> float:
        """The strongest bleed that is left."""
        return worst_db(self.after)


def check_bleed(frames: NDArray[np.float64], rig: Rig, rate: int) -> BleedCheck:
    """Measure bleed in ``frames`` (n, channels), and again with the rig's matrix taken out."""
    mains = rig.input.mains_hz
    moments = block_moments([frames], with_values(rig, None if isinstance(mains, str) else mains), rate)
    matrix = rig.bleed.matrix
    bleed = np.eye(rig.string_count) if isinstance(matrix, str) else np.asarray(matrix, float)
    unmix = np.linalg.inv(bleed)
    clean = np.einsum("ij,bjk,lk->bil", unmix, moments, unmix)
    return BleedCheck(_estimate(moments), _estimate(clean), played_strings(moments, _floor(moments)))


def _floor(moments: NDArray[np.float64]) -> NDArray[np.float64]:
    return floor_power(np.einsum("bii->bi", moments))


def _estimate(moments: NDArray[np.float64]) -> NDArray[np.float64]:
    return estimate_bleed(moments, _floor(moments))


def in_db(bleed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Return a bleed matrix in dB; less than ``LEAST_DB`` is ``LEAST_DB``."""
    return amplitude_db(np.abs(bleed), amplitude_of(LEAST_DB))


def worst_db(bleed: NDArray[np.float64]) -> float:
    """Return the strongest entry beside the diagonal, in dB."""
    return float(in_db(bleed - np.diag(np.diag(bleed))).max())
