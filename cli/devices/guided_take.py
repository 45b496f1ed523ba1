"""An open-strings take that is played now, as the player is asked to, and kept in a file to be measured."""

import tempfile
from collections.abc import Iterable, Iterator
from contextlib import contextmanager
from pathlib import Path

import click
import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.cli.devices.guide import guide
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import copy_whole, refuse_other_kind
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.rig.model import Rig

#: A take that is heard in place of an interface comes in blocks of so many frames.
FILE_BLOCK = 480
#: What only a guided take may be replaced by, and the comment in the file by which one is known.
KIND = "guided take"
MARK = "guided take of thumbline calibrate"


@contextmanager
def guided_take(
    source: Path | None, rig: Rig, device: str | None, rate: int | None, keep: Path | None
) -> Iterator[Path]:
    """Lead through a take from an interface, or from the file ``source``, and yield the path of its recording.

    It is kept at ``keep`` (whole or not at all), and else only while the context lasts. ``device`` and ``rate`` default
    to the rig's. Raises InputError if the sound ends too soon or what is wanted cannot be opened or written.
    """
    if source is not None and (device is not None or rate is not None):
        raise InputError("--input or --rate is given with a TAKE; accepted: one or the other")
    if keep is not None and keep.suffix.lower() != ".wav":
        raise InputError(f"--keep is {keep}; accepted: a name that ends in .wav")
    if keep is not None:
        refuse_other_kind(keep, _is_guided_take, KIND)
        if source is not None and keep.exists() and keep.samefile(source):
            raise InputError(f"--keep is {keep}, the TAKE itself; accepted: another name")
    with tempfile.TemporaryDirectory(prefix="thumbline-guided-") as folder:
        path = Path(folder) / ("guided take.wav" if keep is None else keep.name)
        if source is None:
            from thumbline.cli.devices.streams import record

            channels = max(rig.input.channels)
            used_rate = rig.live.sample_rate if rate is None else rate
            with record(rig.live.input if device is None else device, channels, used_rate) as recording:
                complete = _hear(recording.blocks(), channels, rig, used_rate, path)
                if recording.lost:
                    click.echo(f"The interface lost sound {recording.lost} times; better play again", err=True)
        else:
            with open_take(source, rig.string_count, rig.input.channels, rig.instrument.strings) as take:
                complete = _hear(take.blocks(FILE_BLOCK), take.channels, rig, take.sample_rate, path)
        if not complete:
            raise InputError(
                "the sound ended before every string was heard; accepted: silence, then each string in turn"
            )
        if keep is not None:
            copy_whole(path, keep, _is_guided_take, KIND)
            path = keep
        yield path


def _hear(blocks: Iterable[NDArray[np.float64]], channels: int, rig: Rig, rate: int, path: Path) -> bool:
    """Lead through the take and write what is heard; True if all of it was."""
    try:
        with soundfile.SoundFile(path, "w", rate, channels, "FLOAT") as file:
            file.comment = MARK

            def kept() -> Iterator[NDArray[np.float64]]:
                for block in blocks:
                    file.write(block)
                    yield block

            return guide(kept(), rig, rate, click.echo).complete
    except soundfile.LibsndfileError as error:
        reason = error.error_string.rstrip(".").lower()
        raise InputError(f"the take cannot be kept in {path.parent}: {reason}; is the disk full?") from error


def _is_guided_take(path: Path) -> bool:
    try:
        with soundfile.SoundFile(path) as file:
            return file.comment == MARK
    except soundfile.LibsndfileError:
        return False
