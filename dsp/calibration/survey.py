"""A first look at a take, with the processor's own front end: everything that a rig leaves open ("auto")."""

from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.calibration.bleed import measure_bleed, played_strings, unmixed_power
from thumbline.dsp.calibration.fit import misfit
from thumbline.dsp.calibration.isolation import Isolation, measure_isolation
from thumbline.dsp.decibels import power_db
from thumbline.dsp.memory.records import ANALYSIS_STEP
from thumbline.dsp.processor.analysis_signal import analysis_signal
from thumbline.dsp.processor.hum import Head, Hum, measure_hum, quiet_power
from thumbline.dsp.processor.mains import find_mains
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig

#: Length of the blocks whose moments are taken, in seconds.
BLOCK_S = 0.02
#: About how many blocks are kept of a long take: ten minutes.
MOST_BLOCKS = 30_000
#: Share of blocks that are taken for silence between notes.
FLOOR_PERCENTILE = 5.0
#: Noise is steady: if the floor estimate exceeds the quietest two blocks by more than this, in dB, it is sustained
#: notes of a take that hardly rests.
STEADY_DB = 3.0
#: Takes are often faded in and out: blocks at either end in which no quietest moment is looked for (a second).
ENDS = round(1.0 / BLOCK_S)
#: A block this far above the floor is a note, in dB.
NOTE_ABOVE_FLOOR_DB = 20.0
#: Thresholds: above the floor, and below a typical note, in dB, whichever is higher.
ON_ABOVE_FLOOR_DB, ON_BELOW_LEVEL_DB = 10.0, 26.0
OFF_ABOVE_FLOOR_DB, OFF_BELOW_LEVEL_DB = 4.0, 42.0
#: A channel whose loudest block lies this far below its threshold holds no note, in dB: blocks are longer than attacks.
SILENT_BELOW_ON_DB = 6.0
#: A channel this quiet has no noise of its own: a computer made it.
LOWEST_FLOOR_DB = -100.0
#: Keys of the rig that a survey measures from the strings' levels.
MEASURED = ("detect.floor_db", "detect.level_db", "detect.on_db", "detect.off_db", "bleed.matrix")

Blocks = Callable[[], Iterator[NDArray[np.float64]]]


@dataclass(frozen=True)
class Survey:
    """What a take says of the guitar. Arrays go by string, string 1 first; levels in dBFS, rms of the analysis."""

    mains_hz: float | None
    floor_db: NDArray[np.float64]
    level_db: NDArray[np.float64]
    on_db: NDArray[np.float64]
    off_db: NDArray[np.float64]
    bleed: NDArray[np.float64]
    played: NDArray[np.bool_]
    silent: NDArray[np.bool_]  #: the channel never comes near a note: not played, or its cable is out
    hum: Hum | None  #: of the take from its first frame on; None without mains removal
    bleed_doubted: NDArray[np.bool_]  #: what the channel hears of other strings was not believed, and is left as none
    isolation: Isolation
    misfit: str = ""  #: what of the take does not fit what the rig states (`thumbline.dsp.calibration.fit`)


def passes_of(rig: Rig) -> int:
    """How often a take is read until it is split: for the hum, for bleed and levels, and for the splitting."""
    return 2 if rig.input.mains_hz == "off" else 3


def survey(blocks: Blocks, rig: Rig, rate: int) -> Survey:
    """Measure a take. ``blocks()`` starts it from the beginning each time it is called (twice at most).

    What the rig states is taken as given; what it leaves to "auto" is measured.
    """
    mains_hz, hum, quiet = _mains(blocks, rig, rate)
    moments = block_moments(blocks(), with_values(rig, mains_hz=mains_hz), rate, hum, quiet)
    return _measure(moments, rig, mains_hz, hum)


def _mains(blocks: Blocks, rig: Rig, rate: int) -> tuple[float | None, Hum | None, NDArray[np.float64] | None]:
    """The frequency of the hum, unless the rig states it; the hum from the first frame on; the power it leaves."""
    mains = rig.input.mains_hz
    if mains == "off":
        return None, None, None
    head = Head(rate)
    passing = head.pass_on(blocks())
    if isinstance(mains, str):
        mains_hz = find_mains(passing, rate)
    else:
        mains_hz = mains
        for _ in passing:
            if head.full:
                break
    if mains_hz is None:
        return None, None, None
    hum = measure_hum(head, rig, mains_hz)
    return mains_hz, hum, quiet_power(head, rig, hum)


def with_values(rig: Rig, mains_hz: float | None) -> Rig:
    """Return the rig with mains removal as measured, and neither bleed removal nor notes."""
    n = rig.string_count
    return rig.changed(
        {
            "input.mains_hz": "off" if mains_hz is None else mains_hz,
            "bleed.matrix": "off",
            "detect.on_db": (0.0,) * n,
            "detect.off_db": (-1.0,) * n,
        }
    )


def block_moments(
    blocks: Iterable[NDArray[np.float64]],
    rig: Rig,
    rate: int,
    hum: Hum | None = None,
    quiet: NDArray[np.float64] | None = None,
) -> NDArray[np.float64]:
    """Mean products (blocks, n, n) of the strings' analysis signals, full scale 1, each over ``BLOCK_S``.

    ``hum``, where it is known, is taken out from the first frame on, and followed only in sound little louder than
    ``quiet`` (mean square per string), so that nothing of a note is. Of a long take every second block is kept, or
    every fourth, and so on.
    """
    processor = Processor(rig, rate, hum)
    p = processor.params[0]
    n = rig.string_count
    p["on_power"] = p["hum_below"] = np.inf  # no string is ever plucked
    if quiet is not None:
        p["hum_below"][:n] = 10.0 ** (ON_ABOVE_FLOOR_DB / 10.0) * quiet / ANALYSIS_STEP**2
    p["highpass"][:, :n] = p["highpass"][:, [n - 1]]  # all alike, or bleed would not be a matrix of numbers
    length = round(BLOCK_S * float(p["tick_rate"]))
    pending = np.zeros((0, n))
    moments = [np.zeros((0, n, n))]
    seen, stride = 0, 1
    for block in blocks:
        for new in analysis_signal(processor, block):
            pending = np.concatenate([pending, new])
            whole = len(pending) // length * length
            parts = pending[:whole].reshape(-1, length, n)
            moments.append(np.einsum("bti,btj->bij", parts, parts)[-seen % stride :: stride] / length)
            seen += len(parts)
            pending = pending[whole:]
            if seen > 2 * stride * MOST_BLOCKS:
                moments, stride = [np.concatenate(moments)[::2]], 2 * stride
    return np.concatenate(moments)


def _measure(moments: NDArray[np.float64], rig: Rig, mains_hz: float | None, hum: Hum | None) -> Survey:
    n = rig.string_count
    lowest = 10.0 ** (LOWEST_FLOOR_DB / 10.0)
    if not len(moments):
        moments = np.zeros((1, n, n))
    channel_floor = floor_power(np.einsum("bii->bi", moments))
    matrix = rig.bleed.matrix
    if matrix == "auto":
        bleed, doubted = measure_bleed(moments, channel_floor)
    else:
        doubted = np.zeros(n, np.bool_)
        bleed = np.eye(n) if isinstance(matrix, str) else np.asarray(matrix, float)
    power = np.maximum(unmixed_power(moments, bleed), lowest)
    floor_db = power_db(floor_power(power))
    played = played_strings(moments, channel_floor)
    level_db = _levels(power_db(power), floor_db, played)
    detect = rig.detect
    floor_db = floor_db if isinstance(detect.floor_db, str) else np.asarray(detect.floor_db)
    level_db = level_db if isinstance(detect.level_db, str) else np.asarray(detect.level_db)
    on_db = np.maximum(floor_db + ON_ABOVE_FLOOR_DB, level_db - ON_BELOW_LEVEL_DB)
    off_db = np.maximum(floor_db + OFF_ABOVE_FLOOR_DB, level_db - OFF_BELOW_LEVEL_DB)
    on_db = on_db if isinstance(detect.on_db, str) else np.asarray(detect.on_db)
    off_db = off_db if isinstance(detect.off_db, str) else np.asarray(detect.off_db)
    loudest_db = power_db(np.maximum(np.einsum("bii->bi", moments).max(axis=0), lowest))
    silent = loudest_db < on_db - SILENT_BELOW_ON_DB
    return Survey(
        mains_hz=mains_hz,
        floor_db=floor_db,
        level_db=level_db,
        on_db=on_db,
        off_db=np.minimum(off_db, on_db - 1.0),
        bleed=bleed,
        played=played,
        silent=silent,
        hum=hum,
        bleed_doubted=doubted,
        misfit=misfit(moments, channel_floor, rig),
        isolation=measure_isolation(moments, bleed, channel_floor, played),
    )


def complete_for_take(rig: Rig, found: Survey) -> Rig:
    """Return the rig with everything it left open filled in from the survey of a take that is to be split.

    Its silent channels take up no bleed.

    What a rig says of bleed into a channel is not there if its cable is out; taken away all the same, it would sound as
    if the others' notes were played on that string. Where a string was merely not played nothing near a note is lost.
    """
    bleed = np.where(found.silent[:, np.newaxis], np.eye(len(found.silent)), found.bleed)
    return complete(rig, replace(found, bleed=bleed))


def floor_power(power: NDArray[np.float64]) -> NDArray[np.float64]:
    """Power of each channel or string (n,) while nobody plays, from that of blocks (blocks, n); full scale 1.

    The quietest twentieth of the blocks, unless the quietest moment tells that this is not noise (after R. Martin,
    "Noise power spectral density estimation based on optimal smoothing and minimum statistics", IEEE Trans. Speech
    Audio Process. 9, 2001; from memory). Digital silence does not count.
    """
    lowest = 10.0 ** (LOWEST_FLOOR_DB / 10.0)
    usual = np.maximum(np.percentile(power, FLOOR_PERCENTILE, axis=0), lowest)
    inner = power[ENDS:-ENDS] if len(power) > 4 * ENDS else power
    heard = np.where(inner > lowest, inner, np.inf)
    pairs = 0.5 * (heard[1:] + heard[:-1])
    return np.minimum(usual, 10.0 ** (STEADY_DB / 10.0) * pairs.min(axis=0, initial=np.inf))


def _levels(
    level_db: NDArray[np.float64], floor_db: NDArray[np.float64], played: NDArray[np.bool_]
) -> NDArray[np.float64]:
    """Typical level of each string's notes: the upper quartile of the blocks that hold one.

    Strings that were not played get the median of the others, or a common value if there are none.
    """
    levels = np.full(len(floor_db), np.nan)
    for s in np.flatnonzero(played):
        notes = level_db[level_db[:, s] > floor_db[s] + NOTE_ABOVE_FLOOR_DB, s]
        if len(notes):
            levels[s] = np.percentile(notes, 75.0)
    known = levels[np.isfinite(levels)]
    return np.where(np.isfinite(levels), levels, np.median(known) if len(known) else -25.0)


def complete(rig: Rig, found: Survey) -> Rig:
    """Return the rig with everything it left open filled in from a survey."""
    changes: dict[str, object] = {"input.mains_hz": "off" if found.mains_hz is None else round(found.mains_hz, 3)}
    for key, highest in (("floor_db", 0.0), ("level_db", 0.0), ("on_db", 0.0), ("off_db", -1.0)):
        changes[f"detect.{key}"] = [round(float(np.clip(x, -159.0, highest)), 2) for x in getattr(found, key)]
    if rig.bleed.matrix != "off":
        changes["bleed.matrix"] = [[round(float(x), 5) for x in row] for row in found.bleed]
    return rig.changed(changes)
