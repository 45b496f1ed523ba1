"""A result never goes where the take itself is, or another take would be spoilt by it."""

from contextlib import suppress
from pathlib import Path

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.made_files import made_in
from thumbline.dsp.files.mono_files import is_sound_name
from thumbline.dsp.files.takes import Take


def refuse_take_as_target(take: Take, out: Path, strings: int) -> None:
    """Raise InputError if the result of ``take`` in ``out`` would be, or would spoil, a take.

    A folder of mono files is a take by the number of its sound files; a result among them makes it none.
    """
    target = out / take.name
    shown = printable(target)
    if not target.is_dir():
        if take.is_folder and is_sound_name(target) and _same(out, take.path):
            raise InputError(f"cannot write into the folder {shown}: it would lie among the files of the take")
        return
    if take.is_folder and _same(target, take.path):
        raise InputError(f"cannot write into the folder {shown}: it is the take itself; accepted: another --out")
    with suppress(OSError):
        sounds = sum(is_sound_name(path) for path in target.iterdir())
        if sounds == strings and not made_in(target):
            raise InputError(
                f"cannot write into the folder {shown}: it holds {sounds} sound files, as a take does, that thumbline "
                "did not make; accepted: another --out"
            )


def _same(path: Path, other: Path) -> bool:
    with suppress(OSError):
        return path.samefile(other)
    return False
