"""Single numbers of the shared memory, for those who look at them thousands of times a second."""

from typing import Any

import numpy as np

from thumbline.dsp.records import Record


def cell(live: Record, path: str) -> memoryview:
    """Return the field of the shared record at ``path``, such as ``engine.phase``, as a view: of one number, or of all.

    To read it takes a thirtieth of the time of going through the record, of which two thousand rounds a second would
    take a good part of a processor.
    """
    field: Any = np.asarray(live.base).reshape(1)
    for name in path.split("."):
        field = field[name]
    return memoryview(field if field.ndim == 1 else field[0])
