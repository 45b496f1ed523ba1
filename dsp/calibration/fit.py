"""Whether a rig was measured on the guitar that a take was played on.

Bleed tells: with the matrix of another guitar, what is left in the channel of a silent string is more than the take's
own matrix would leave. Noise and the level of notes tell where they are far from what the rig says; how hard somebody
plays, or a quieter room, must not.
"""

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.bleed import measure_bleed, unmixed_power
from thumbline.dsp.decibels import power_db
from thumbline.dsp.rig.model import Rig

#: Bleed is another guitar's where, on most strings, the rig leaves this much more than the take's own matrix, as the
#: mean logarithm of power. Right rigs of five guitars on their ten takes: at most 0.001; wrong ones: at least 0.16.
MORE_LEFT = 0.05
#: Only blocks this far above the floor say anything of bleed, in dB, and at least so many.
LOUD_DB, FEWEST_BLOCKS = 30.0, 25
#: A residual of this many times the floor's power is as good as none (as in the estimate).
FORGIVEN = 4.0
#: Of a long take so many blocks are looked at.
MOST_BLOCKS = 4000
#: Floor and notes this far from the rig's, in the median of the strings, are of another guitar or input, in dB.
FLOOR_OFF_DB, NOTES_OFF_DB = 12.0, 20.0
#: Notes are this far above the floor, in dB; their level is this percentile of the blocks.
NOTE_DB, NOTE_PERCENTILE = 20.0, 75.0
LOWEST_POWER = 1e-12


def misfit(moments: NDArray[np.float64], floor: NDArray[np.float64], rig: Rig) -> str:
    """Return what of a take does not fit the rig, in words that go on from "the rig does not fit this take: "; or "".

    ``moments``: (blocks, n, n) mean products of the strings' channels in each block; ``floor``: (n,) power of silence.
    Only what the rig states is compared, nothing that it leaves to "auto".
    """
    moments = moments[:: max(1, len(moments) // MOST_BLOCKS)]
    found = [_of_bleed(moments, floor, rig), *_of_levels(moments, floor, rig)]
    return "; ".join(filter(None, found))


def _of_bleed(moments: NDArray[np.float64], floor: NDArray[np.float64], rig: Rig) -> str:
    if isinstance(rig.bleed.matrix, str):
        return ""
    loudest = np.einsum("bii->bi", moments).max(axis=1, initial=0.0)
    loud = moments[loudest > 10.0 ** (LOUD_DB / 10.0) * floor.max()]
    if len(loud) < FEWEST_BLOCKS:
        return ""
    own, doubted = measure_bleed(moments, floor)
    if doubted.all() or np.array_equal(own, np.eye(len(own))):
        return ""
    forgiven = FORGIVEN * floor
    left, least = (
        np.maximum(_residual(loud, matrix), 0.0) + forgiven for matrix in (np.asarray(rig.bleed.matrix, float), own)
    )
    more = np.log(left / least).mean(axis=0)[~doubted]
    return "the strings bleed into one another as on another guitar" if np.median(more) > MORE_LEFT else ""


def _residual(moments: NDArray[np.float64], bleed: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power (blocks, n) of each channel once what ``bleed`` says of the others is taken out."""
    unmix = np.linalg.inv(bleed)
    rows = unmix / np.diag(unmix)[:, np.newaxis]
    return np.einsum("ij,bjk,ik->bi", rows, moments, rows)


def _of_levels(moments: NDArray[np.float64], floor: NDArray[np.float64], rig: Rig) -> list[str]:
    """Compare noise and notes, which the rig knows without bleed."""
    detect, matrix = rig.detect, rig.bleed.matrix
    if isinstance(detect.floor_db, str) or isinstance(detect.level_db, str) or not len(moments):
        return []
    bleed = np.eye(len(floor)) if isinstance(matrix, str) else np.asarray(matrix, float)
    level_db = power_db(np.maximum(unmixed_power(moments, bleed), LOWEST_POWER))
    floor_off = float(np.median(power_db(np.maximum(floor, LOWEST_POWER)) - np.asarray(detect.floor_db)))
    notes = [
        float(np.percentile(level[level > quiet + NOTE_DB], NOTE_PERCENTILE)) - usual
        for level, quiet, usual in zip(level_db.T, detect.floor_db, detect.level_db, strict=True)
        if np.count_nonzero(level > quiet + NOTE_DB) >= FEWEST_BLOCKS
    ]
    found = []
    if floor_off > FLOOR_OFF_DB:
        found.append(f"its noise is {floor_off:.0f} dB louder")
    if notes and abs(off := float(np.median(notes))) > NOTES_OFF_DB:
        found.append(f"its notes are {abs(off):.0f} dB {'louder' if off > 0.0 else 'softer'}")
    return found
