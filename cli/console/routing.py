"""Which output of the audio interface carries what."""

from collections.abc import Sequence

import numpy as np

from thumbline.cli.shared.live_memory import ROUTES
from thumbline.dsp.decibels import amplitude_of
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.records import BASS, LEFT, OUTPUTS, RIGHT

#: Levels of an output, in dB: it can be made softer than the rig's own levels give, not louder.
LOWEST_DB = -60.0
HIGHEST_DB = 0.0


def make_routing(
    bass_outputs: Sequence[int],
    guitar_outputs: Sequence[int],
    *,
    stereo: bool = False,
    bass_levels_db: Sequence[float] = (),
    guitar_levels_db: Sequence[float] = (),
) -> np.ndarray:
    """Return gains of shape (3, outputs): from bass, left and right to each output up to the highest that is used.

    Outputs are numbered from 1. The bass goes to each of its outputs; a mono guitar likewise; a stereo guitar's left
    goes to the first, third, ... of its outputs and right to the others, so it needs an even number of them. Levels in
    dB, one for each of the outputs listed (none: 0 dB). An output may carry both bass and guitar.

    Raises InputError for an output or a level that cannot be.
    """
    if stereo and len(guitar_outputs) % 2:
        raise InputError(
            f"guitar outputs are {list(guitar_outputs)}; accepted: pairs, left and right, as guitar.stereo is true"
        )
    for part, outputs in (("bass", bass_outputs), ("guitar", guitar_outputs)):
        for output in outputs:
            if not 1 <= output <= ROUTES:
                raise InputError(f"{part} output is {output}; accepted: 1 to {ROUTES}")
    routing = np.zeros((OUTPUTS, max((*bass_outputs, *guitar_outputs, 1))))
    columns = [LEFT, RIGHT] if stereo else [LEFT]
    guitar = [columns[place % len(columns)] for place in range(len(guitar_outputs))]
    _route(routing, "bass", bass_outputs, [BASS] * len(bass_outputs), bass_levels_db)
    _route(routing, "guitar", guitar_outputs, guitar, guitar_levels_db)
    return routing


def _route(
    routing: np.ndarray, part: str, outputs: Sequence[int], columns: Sequence[int], levels_db: Sequence[float]
) -> None:
    levels = list(levels_db) or [0.0] * len(outputs)
    if len(levels) != len(outputs):
        raise InputError(
            f"{part} has {len(levels)} output levels; accepted: one for each of its outputs {list(outputs)}"
        )
    if len(set(outputs)) != len(outputs):
        raise InputError(f"{part} outputs are {list(outputs)}; accepted: each output once")
    for output, column, level in zip(outputs, columns, levels, strict=True):
        if not LOWEST_DB <= level <= HIGHEST_DB:
            raise InputError(f"level of {part} output {output} is {level} dB; accepted: {LOWEST_DB} to {HIGHEST_DB}")
        routing[column, output - 1] = amplitude_of(level)
