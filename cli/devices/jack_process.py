"""How the JACK server was started, where the system tells (Linux)."""

from collections.abc import Iterator, Sequence
from contextlib import suppress
from pathlib import Path

PROGRAMS = ("jackd", "jackdmp")
#: Options of the server that have an argument, by letter (`jackd --help`, version 1.9.21).
WITH_ARGUMENT = {
    "a": "autoconnect",
    "c": "clocksource",
    "C": "internal-session-file",
    "d": "driver",
    "I": "internal-client",
    "L": "loopback",
    "n": "name",
    "p": "port-max",
    "P": "realtime-priority",
    "t": "timeout",
    "X": "slave-backend",
}


def is_synchronous(server_name: str, processes: Path = Path("/proc")) -> bool:
    """Whether the server of that name waits for all of its clients in each round (``-S``); False if unknown.

    One that does so waits for a client that has died for ten times its client time-out, and lets nobody play meanwhile.
    """
    for path in processes.glob("[0-9]*/cmdline"):
        with suppress(OSError):
            program, *words = path.read_bytes().decode(errors="replace").rstrip("\0").split("\0")
            if Path(program).name in PROGRAMS:
                options = dict(_options(words))
                if options.get("name", "default") == server_name:
                    return bool({"S", "sync"} & {*options})
    return False


def _options(words: Sequence[str]) -> Iterator[tuple[str, str]]:
    """Yield each option, with its argument if it has one; those behind the driver's name are the driver's."""
    rest = iter(words)
    for word in rest:
        if word.startswith("--"):
            name, _, value = word[2:].partition("=")
            if name in WITH_ARGUMENT.values():
                value = value or next(rest, "")
            found = [(name, value)]
        else:
            found = list(_letters(word, rest))
        yield from found
        if any(name == "driver" for name, _ in found):
            return


def _letters(word: str, rest: Iterator[str]) -> Iterator[tuple[str, str]]:
    """Yield the options of a word such as ``-RSt500``; the argument of the last may be the next word."""
    for at, letter in enumerate(word[1:], 2):
        if letter in WITH_ARGUMENT:
            yield WITH_ARGUMENT[letter], word[at:] or next(rest, "")
            return
        yield letter, ""
