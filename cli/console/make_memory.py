"""Makes the memory that the live processes share; only the console does, as it takes the compiler's parameters."""

import os
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from thumbline.cli.shared.live_memory import _cut, attach, encoded
from thumbline.dsp.errors import InputError
from thumbline.dsp.live.record import LIVE, SETTINGS, TAPE_SAMPLES
from thumbline.dsp.live.tape import length_of
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import OUTPUTS, initial_state
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.rig.model import Rig

#: What the tape takes, at the end of the memory.
TAPE_BYTES = 4 * TAPE_SAMPLES


def create(
    path: Path,
    settings: Sequence[tuple[str, Rig]],
    *,
    rate: int,
    block_frames: int,
    routing: np.ndarray,
    input_device: str = "",
    output_device: str = "",
    take: str = "",
    wait_s: float = 0.0,
    tape: bool = False,
) -> Record:
    """Make the file ``path``, which must not exist, and return the record in it, ready for an engine and a keeper.

    ``settings`` are named rigs, the one to begin with first; ``routing`` is made by
    :func:`thumbline.cli.console.routing.make_routing`. Devices are named as in `thumbline ports`, or by index; ``take``
    is the path of a take to be played in place of a device. MIDI ports that are not there at the start are waited for
    ``wait_s``. With ``tape`` all sound is also handed to a recorder. The bass is split and the outputs are silent to
    begin with.

    Raises InputError if there is no memory for it, if there are no settings or too many, or if they cannot be
    compiled for ``rate`` or do not belong to one guitar; OSError if the file cannot be made (FileExistsError: it is
    there).
    """
    if not 1 <= len(settings) <= SETTINGS:
        raise InputError(f"the set has {len(settings)} settings; accepted: 1 to {SETTINGS}")
    params = compile_settings(settings, rate)
    with path.open("xb") as file:
        os.truncate(file.fileno(), LIVE.itemsize)
    _reserve(path, "a run", 0, LIVE.itemsize - TAPE_BYTES)
    if tape:
        _reserve(path, "--keep", LIVE.itemsize - TAPE_BYTES, TAPE_BYTES)
    live = attach(path)
    inputs = max(max(rig.input.channels) for _, rig in settings)
    if tape:
        live.tape.columns = inputs + OUTPUTS
        live.tape.length = length_of(inputs + OUTPUTS)
    live.setting_count = len(settings)
    for place, (name, _) in enumerate(settings):
        live.names[place].text = encoded(name, 64)
        live.params[place] = params[place]
    live.state = initial_state(params[:1])[0]
    live.engine.output_limiter = 1.0
    setup, request = live.setup, live.request
    setup.input, setup.output = _cut(input_device, 256), _cut(output_device, 256)  # they have to match names
    setup.take_path = os.fsencode(take)
    setup.rate, setup.block_frames, setup.wait_s = rate, block_frames, wait_s
    setup.inputs = inputs
    setup.outputs = routing.shape[1]
    setup.routing[:, : setup.outputs] = routing
    request.split = 1
    request.interval = np.nan
    setup.complete = 1
    return live


def _reserve(path: Path, what: str, first: int, size: int) -> None:
    """Have the pages of so many bytes there before sound comes: who meets one that cannot be had is ended (SIGBUS).

    The engine must not wait for one either. ``what`` needs them.
    """
    try:
        with path.open("r+b") as file:
            if hasattr(os, "posix_fallocate"):
                os.posix_fallocate(file.fileno(), first, size)
            else:
                file.seek(first)
                file.write(bytes(size))
    except OSError as error:
        raise InputError(
            f"{what} needs {-(-size // (1 << 20))} MB of memory in {path.parent.parent}: {error.strerror}; "
            "accepted: as much free"
        ) from error
