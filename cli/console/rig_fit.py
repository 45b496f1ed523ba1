"""Whether the rig fits the take that is played: looked at beside the music, in a process that yields to all others.

`python -m thumbline.cli.console.rig_fit TAKE`, the rig as JSON on standard input; prints what does not fit, or nothing.
"""

import contextlib
import os
import subprocess
import sys
from collections.abc import Iterator
from itertools import islice
from pathlib import Path
from typing import TYPE_CHECKING

from thumbline.cli.console.notices import Notice
from thumbline.cli.shared.misfit import CALIBRATE
from thumbline.cli.shared.processes import MODULE

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from thumbline.dsp.rig.model import Rig

#: So much of a take is looked at, in seconds.
LOOKED_AT_S = 120.0
BLOCK_FRAMES = 1 << 15
#: How long a take that has ended waits for the answer, in seconds.
PATIENCE_S = 5.0


class FitCheck:
    """One look at a take. Without a take there is nothing to look at, and nothing is ever said."""

    def __init__(self, take: str, rig: "Rig"):
        self._take, self._rig = take, rig
        self._process: subprocess.Popen[str] | None = None
        self._done = not take

    def look(self, *, begun: bool, wait_s: float = 0.0) -> Notice | None:
        """Start once the music has ``begun``; return what does not fit, once, when it is known."""
        if self._done or not begun:
            return None
        if self._process is None:
            self._process = subprocess.Popen(
                [sys.executable, *MODULE, "thumbline.cli.console.rig_fit", self._take],
                stdin=subprocess.PIPE,
                stdout=subprocess.PIPE,
                stderr=subprocess.DEVNULL,
                text=True,
                encoding="utf-8",
            )
            assert self._process.stdin is not None
            with contextlib.suppress(BrokenPipeError):  # it has ended already: it has nothing to say then
                self._process.stdin.write(self._rig.model_dump_json())
                self._process.stdin.close()
        try:
            self._process.wait(wait_s)
        except subprocess.TimeoutExpired:
            return None
        self._done = True
        assert self._process.stdout is not None
        with self._process.stdout as answer:
            words = answer.read().strip()
        return Notice("rig", f"The rig does not fit this take: {words}", CALIBRATE) if words else None

    def stop(self) -> None:
        """End the process, whatever it does."""
        self._done = True
        if self._process is not None:
            self._process.kill()
            self._process.wait()
            if self._process.stdout is not None:
                self._process.stdout.close()


def misfit_of(take: Path, rig: "Rig") -> str:
    """Return what of a take does not fit the rig, in words; empty if it fits. Raises InputError."""
    from thumbline.dsp.calibration.survey import survey
    from thumbline.dsp.files.takes import open_take

    with open_take(take, rig.string_count, rig.input.channels, rig.instrument.strings) as opened:
        most = round(LOOKED_AT_S * opened.sample_rate)

        def blocks() -> "Iterator[NDArray[np.float64]]":
            return islice(opened.blocks(BLOCK_FRAMES), most // BLOCK_FRAMES + 1)

        return survey(blocks, rig, opened.sample_rate).misfit


def _main() -> None:
    from thumbline.dsp.rig.model import Rig

    if hasattr(os, "nice"):
        os.nice(19)
    print(misfit_of(Path(sys.argv[1]), Rig.model_validate_json(sys.stdin.read())))


if __name__ == "__main__":
    _main()
