"""Memory that the JACK library locks, let go again, so that a process that is killed ends at once.

A client maps all that its server shares, about 105 MB, and locks it. When the client is killed the kernel takes 20 to
200 ms to take that apart, page by page, and only then learns anybody of its end: who waits for it, and the server,
which without its round calls nobody that the dead one sends to. Unlocked and unmapped until they are used again, those
pages cost 3 ms. They stay in memory, as the server has locked them too.
"""

import ctypes
import sys
from contextlib import suppress
from pathlib import Path

#: Files that the library maps, by how their names begin.
SHARED = "/dev/shm/jack-"
#: Advice that pages are not needed now (madvise(2)).
MADV_DONTNEED = 4


def let_go() -> int:
    """Unlock what the JACK library has locked in this process; returns how many bytes, 0 where it locks nothing."""
    if sys.platform != "linux":
        return 0
    library = ctypes.CDLL(None)
    count = 0
    for first, size in _mapped():
        where, length = ctypes.c_void_p(first), ctypes.c_size_t(size)
        library.munlock(where, length)
        library.madvise(where, length, MADV_DONTNEED)
        count += size
    return count


def _mapped() -> list[tuple[int, int]]:
    """First address and size of each mapping of the library's files."""
    found = []
    with suppress(OSError):
        for line in Path("/proc/self/maps").read_text(errors="replace").splitlines():
            place, *_, name = line.split(maxsplit=5)
            if name.startswith(SHARED):
                first, end = (int(address, 16) for address in place.split("-"))
                found.append((first, end - first))
    return found
