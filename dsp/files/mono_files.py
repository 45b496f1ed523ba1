"""The mono files of a take that is a folder, in the order of the take's channels.

Files are taken in natural order of their names (2 before 10): the first is channel 1. Files named by the open notes of
the strings, as "E4.wav" or "gig A2.wav", go to the channels of these strings instead, whatever their order.
"""

import re
from collections.abc import Sequence
from pathlib import Path

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.note_names import note_to_midi

_LOSSLESS = (".wav", ".wave", ".bwf", ".rf64", ".w64", ".flac", ".aif", ".aiff", ".aifc", ".caf", ".au")
_SUFFIXES = frozenset((*_LOSSLESS, ".snd", ".ogg", ".oga", ".opus", ".mp3"))
#: A note with its octave, or without, that is a word of its own.
_NOTE = re.compile(r"(?<![^\W_])([A-Ga-g](?:##?|♯|♭|bb?|x)?)(-?\d)?(?![^\W_]|[#♯♭])")


def is_sound_name(path: Path) -> bool:
    """Whether a folder's entry of this name counts as one of a take's files."""
    return path.suffix.lower() in _SUFFIXES and not path.name.startswith(".")


def mono_files(folder: Path) -> list[Path]:
    """Return a folder's sound files in natural order; hidden files and other suffixes are passed over."""
    try:
        entries = [entry for entry in folder.iterdir() if is_sound_name(entry)]
    except OSError as error:
        raise InputError(f"cannot open the take {printable(folder)}: {error.strerror}") from error
    if not entries:
        wanted = "a take's folder holds one mono file per string"
        raise InputError(f"the folder {printable(folder)} holds no sound file; {wanted}")
    return sorted(entries, key=_natural)


def _natural(path: Path) -> tuple[list[str | int], str]:
    """Sort key of a file's name that puts 2 before 10. Texts and numbers alternate, so like meets like."""
    parts = re.split("([0-9]+)", path.name.casefold())
    return [int(part) if index % 2 else part for index, part in enumerate(parts)], path.name


def by_notes(files: Sequence[Path], notes: Sequence[str], channels: Sequence[int]) -> list[Path]:
    """Return ``files`` so that each is the channel of the string it is named by, or as they are if by no notes.

    ``notes`` are the open strings, string 1 first, and ``channels`` their channels, from 1. Raises InputError if the
    files are named by notes, but these are not the strings'.
    """
    found = [_note(path) for path in files]
    if len(files) != len(notes) or sorted(channels) != [*range(1, len(files) + 1)] or None in found:
        return list(files)
    wanted = [note_to_midi(note) for note in notes]
    names = [name for name in found if name]
    shown = f"the files of {printable(files[0].parent)} are named by the notes " + " ".join(a + b for a, b in names)
    accepted = f"accepted: names by the rig's strings {' '.join(notes)}, or by numbers, channel 1 first"
    if not all(octave for _, octave in names):
        if sorted(_classes(names)) == sorted(midi % 12 for midi in wanted) and not any(octave for _, octave in names):
            raise InputError(f"{shown}, without octaves; {accepted}")
        return list(files)
    midi = [note_to_midi(name + octave) for name, octave in names]
    if sorted(midi) != sorted(wanted) or len({*midi}) != len(midi):
        raise InputError(f"{shown}; {accepted}")
    ordered = list(files)
    for note, channel in zip(wanted, channels, strict=True):
        ordered[channel - 1] = files[midi.index(note)]
    return ordered


def _note(path: Path) -> tuple[str, str] | None:
    """Return the one note in a file's name, and its octave or ""; None if there is none, or more than one."""
    found = _NOTE.findall(path.stem)
    with_octave = [each for each in found if each[1]]
    if len(with_octave) == 1:
        return with_octave[0]
    return found[0] if len(found) == 1 else None


def _classes(names: Sequence[tuple[str, str]]) -> list[int]:
    return [note_to_midi(name + "4") % 12 for name, _ in names]
