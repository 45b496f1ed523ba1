"""A take that is read several times, with one measure of progress for all readings."""

from collections.abc import Callable, Iterator

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.files.takes import Take

#: Frames read at a time.
BLOCK = 1 << 15

#: Called with the share of the work that is done, 0 to 1.
Progress = Callable[[float], None]


def counted_passes(take: Take, passes: int, progress: Progress) -> Callable[[], Iterator[NDArray[np.float64]]]:
    """Return a function that reads the take once per call; the first ``passes`` calls are the whole work."""
    begun = 0

    def blocks() -> Iterator[NDArray[np.float64]]:
        nonlocal begun
        this, begun, done = begun, begun + 1, 0
        for block in take.blocks(BLOCK):
            yield block
            done += len(block)
            progress((this + done / max(take.frames, 1)) / passes)

    return blocks
