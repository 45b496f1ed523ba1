"""An engine that stands by: all is loaded, and each byte on standard input has an engine begin.

Where the system can split a process (Linux), this one makes a copy of itself that plays, tells of it on standard output
(``begun PID``, then ``ended CODE``), and stands by for the next. Elsewhere it begins to play itself. The end of
standard input says that the console has gone.
"""

import os
import select
import sys
from pathlib import Path

from thumbline.cli.shared.processes import can_split, kill

#: An engine leaves by itself when the console goes; it is ended after this time, in milliseconds.
LEAVE_MS = 1000
IN, OUT, ERR = 0, 1, 2


def stand_by(warm: Path) -> bool:
    """Return in the process that is to play, True in a copy; leave the process if the console goes instead.

    ``warm``, a file, is made first: it says that all has been loaded.
    """
    warm.touch()
    while os.read(IN, 1):
        if not can_split():
            return False
        pid = os.fork()
        if not pid:
            _let_go_of_pipes()
            return True
        _say(f"begun {pid}")
        _say(f"ended {_end_of(pid)}")
    sys.exit(0)


def _let_go_of_pipes() -> None:
    """The pipes are those of the process that goes on standing by."""
    nothing = os.open(os.devnull, os.O_RDONLY)
    os.dup2(nothing, IN)
    os.dup2(ERR, OUT)
    os.close(nothing)


def _say(line: str) -> None:
    os.write(OUT, f"{line}\n".encode())


def _end_of(pid: int) -> int:
    """Wait for a copy's end and return its exit code; end it if the console has gone, or asks for the next."""
    handle = os.pidfd_open(pid)
    either, end = select.poll(), select.poll()
    either.register(IN, select.POLLIN)
    for watch in either, end:
        watch.register(handle, select.POLLIN)
    either.poll()
    if not end.poll(LEAVE_MS):
        kill(pid)
    os.close(handle)
    return os.waitstatus_to_exitcode(os.waitpid(pid, 0)[1])
