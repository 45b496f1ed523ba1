"""The tape: what comes in and goes out, copied into a ring that another process empties.

The engine only writes, and waits for nobody: who reads too slowly finds that frames are gone, and counts them. A copy
of 64 frames takes well under a microsecond, beside twenty for the block itself; without a tape there is one comparison.

Every change of what is asked of the processor is marked with its frame, so that the same decisions can be taken again
from what was kept.
"""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.controls import ask_the_same, copy_controls
from thumbline.dsp.live.record import MARK, MARKS, TAPE_SAMPLES
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import OUTPUTS

#: Frames nearest to the writer that a reader does not trust: the largest block that a device hands over, and more.
MARGIN = 8192


@kernel
def mark(tape: Record, st: Record, setting_before: int, setting: int, anew: bool) -> None:
    """Mark the next frame if an engine begins there, or something else is asked from it on."""
    last = tape.marks[(tape.marked - 1) & (MARKS - 1)]
    if not anew and tape.marked > 0 and last.setting == setting and ask_the_same(st.controls, last):
        return
    entry = tape.marks[tape.marked & (MARKS - 1)]
    entry.frame = tape.written
    entry.events = st.events_written
    entry.anew = 1 if anew else 0
    entry.setting_before = setting_before
    entry.setting = setting
    copy_controls(st.controls, entry)
    tape.marking = 1


@kernel
def keep(tape: Record, first: int, frames_in: np.ndarray, frames_out: np.ndarray, count: int) -> None:
    """Copy ``count`` frames of what came in, and of bass, left and right, from the ``first`` of this block on."""
    inputs = tape.columns - OUTPUTS
    at = ((tape.written + first) % tape.length) * tape.columns
    end = tape.length * tape.columns
    samples = tape.samples
    for i in range(count):
        for j in range(inputs):
            samples[at + j] = frames_in[i, j]
        for j in range(OUTPUTS):
            samples[at + inputs + j] = frames_out[i, j]
        at += tape.columns
        if at >= end:
            at = 0


@kernel
def wind_on(tape: Record, frames: int) -> None:
    """Count a block that has been copied whole, and the mark made before it; to be called after a fence."""
    tape.marked += tape.marking
    tape.marking = 0
    tape.written += frames


def length_of(columns: int) -> int:
    """Return how many frames of so many samples the tape holds."""
    return TAPE_SAMPLES // columns


def take_frames(tape: Record, read: int, most: int) -> tuple[np.ndarray, int]:
    """Copy frames written since ``read`` of them had been, ``most`` at a time.

    Returns them as float32 (n, columns), and the number of the first one: greater than ``read`` if those between have
    been written over.
    """
    length, columns = int(tape["length"]), int(tape["columns"])
    written = int(tape["written"])
    ring = np.asarray(tape["samples"])[: length * columns].reshape(length, columns)
    first = max(read, written - length + MARGIN)
    frames = ring[np.arange(first, min(written, first + most)) % length]
    safe = int(tape["written"]) - length + MARGIN  # what the writer may have reached while it was copied
    gone = min(max(safe - first, 0), len(frames))
    return frames[gone:], first + gone


def take_marks(tape: Record, read: int) -> tuple[np.ndarray, int]:
    """Copy the marks made since ``read`` of them had been (dtype ``MARK``), as far as they are still there.

    Returns them and the new count.
    """
    marked = int(tape["marked"])
    first = max(read, marked - MARKS)
    found = np.asarray(tape["marks"], MARK)[np.arange(first, marked) & (MARKS - 1)]
    return found, marked
