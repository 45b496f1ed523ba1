"""Where the command begins, before anything is loaded: Ctrl-C in its first moments, or its last, shows no traceback."""

import os
import signal
from contextlib import suppress
from types import FrameType

INTERRUPTED = "thumbline: interrupted; nothing was changed that is not complete"


def _leave(number: int, frame: FrameType | None) -> None:
    """Signal handler while there is nothing to put away."""
    with suppress(OSError):
        os.write(2, f"{INTERRUPTED}\n".encode())
    os._exit(1)


def main() -> None:
    """Run the command line and exit."""
    if signal.getsignal(signal.SIGINT) is signal.default_int_handler:  # else we are not to be interrupted
        signal.signal(signal.SIGINT, _leave)
    from thumbline.cli.main import main as run

    try:
        run()
    except KeyboardInterrupt:  # once more, while the first was told
        os._exit(1)
    finally:
        signal.signal(signal.SIGINT, signal.SIG_IGN)  # the rest is Python's own tidying up
        # CPython ends itself by SIGINT, whatever the exit code, if one has come while it ran code from a text, as numba
        # and dataclasses have it do. The next text makes it forget that (run_eval_code_obj in its pythonrun.c).
        eval("0")
