"""A lock that the system takes from whoever held it, however that process ended."""

import os
from typing import IO


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
