"""Which file beside a take says what was played: the one rule, for every command and notebook."""

from pathlib import Path

from thumbline.dsp.errors import InputError, printable

#: Endings of a file of notes that lies beside its take, in the order in which they are named.
TRUTH_SUFFIXES = (".csv", ".mid", ".midi", ".jams", ".json")


def find_truth(path: Path) -> Path | None:
    """Return the file of notes beside the take at ``path``, None if there is none. InputError if there are several."""
    stem = path if path.is_dir() else path.with_suffix("")
    found = [each for suffix in TRUTH_SUFFIXES if (each := stem.with_name(stem.name + suffix)).is_file()]
    if len(found) > 1:
        both = f"{printable(found[0].name)} and {printable(found[1].name)}"
        raise InputError(f"{printable(path)}: both {both} lie beside it; accepted: one file of its notes")
    return found[0] if found else None


def truth_beside(path: Path) -> Path:
    """Return the one file of notes beside a take. Raises InputError if there is none, or more than one."""
    found = find_truth(path)
    if found is None:
        stem = path if path.is_dir() else path.with_suffix("")
        accepted = f"{printable(stem.name)}{TRUTH_SUFFIXES[0]} (or {', '.join(TRUTH_SUFFIXES[1:])})"
        raise InputError(f"{printable(path)}: its notes are not known; accepted: a file {accepted} beside it")
    return found
