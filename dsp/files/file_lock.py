"""A lock that the system takes from whoever held it, however that process ended."""

import os
import threading
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from typing import IO

#: Where folders cannot be locked, only the threads of this process wait for one another.
_TURN = threading.Lock()


def lock(file: IO[bytes]) -> None:
    """Lock ``file``, for as long as it stays open. Raises OSError if another has it, or there are no locks here.

    Another is whoever opened the file by itself: another process, or this one a second time.
    """
    if os.name == "posix":
        import fcntl

        fcntl.flock(file, fcntl.LOCK_EX | fcntl.LOCK_NB)
    else:
        import msvcrt

        msvcrt.locking(file.fileno(), msvcrt.LK_NBLCK, 1)


@contextmanager
def turn_in(folder: int | None) -> Iterator[None]:
    """Wait until nobody else has the folder that is open as descriptor ``folder``, and have it inside the statement.

    None stands for a system that cannot open folders; there, and on file systems without such locks, processes do not
    wait for one another.
    """
    if folder is None or os.name != "posix":
        with _TURN:
            yield
        return
    import fcntl

    with suppress(OSError):
        fcntl.flock(folder, fcntl.LOCK_EX)
    try:
        yield
    finally:
        with suppress(OSError):
            fcntl.flock(folder, fcntl.LOCK_UN)
