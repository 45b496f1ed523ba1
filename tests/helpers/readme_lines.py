"""What README tells a reader to type, and what of it no computer can do alone."""

import os
import re
import signal
import subprocess
import sys
import time
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from tests.helpers.live_process import wait_until
from tests.helpers.places import ROOT

README = (ROOT / "README.md").read_text("utf-8")
BLOCKS = re.findall(r"^```sh\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
#: Command lines without what follows a #.
PRINTED = [line.split("  #")[0].strip() for block in BLOCKS for line in block.splitlines() if line.strip()]
INLINE = [each for each in re.findall(r"`(thumbline [^`]+)`", README) if "..." not in each]
#: How commands begin that are not run here, and why.
NOT_RUN = {
    "python3 -m venv .venv": "installs; the continuous integration runs it from README before any test",
    ".venv/bin/pip install -e '.[test]'": "installs and runs these tests; so does the continuous integration",
    ".venv/bin/pip install -e '.[notebook]'": "stays open in a browser; tests/notebooks/test_jupyterlab.py uses it",
    r"thumbline render data\demo.flac": "the form for Windows of what has been run",
    "thumbline ports --loopback": "waits for a cable and for Enter; tests/cli/commands/test_ports.py has a cable",
    "thumbline calibrate --live": "waits for a player; tests/cli/commands/test_calibrate_live.py plays",
    "thumbline rig learn": "waits for a foot; tests/dsp/rig/test_learn_switch.py presses",
    "thumbline mutes": "needs the port of a sound module; tests/cli/commands/test_mutes.py has one",
    "thumbline unmute": "needs the port of a sound module; tests/cli/commands/test_open_all.py has one",
    "thumbline ready": "waits for a player and a foot; tests/cli/commands/test_ready.py has both",
    "thumbline render gig": "needs an evening that was recorded; tests/cli/commands/test_live_keep.py records one",
}
#: With an interface, and ended by Ctrl-C once they have said this, and a little later, in seconds.
ON_STAGE = {"thumbline live --rig my-guitar.toml": "playing", "thumbline live --set evening.toml": "playing"}
LOOKS_ON_S = 2.0
WITH_INTERFACE = ("thumbline ports", *ON_STAGE)


def begins(line: str, with_any: Mapping[str, Any] | tuple[str, ...]) -> bool:
    return any(re.match(rf"{re.escape(start)}(?!\S)", line) for start in with_any)


#: Lines of a shell, and what sentences name, in the order of README; "..." stands for what the reader puts there.
LINES = sorted({*PRINTED, *INLINE} - {"thumbline render"}, key=README.index)
ALONE = [line for line in LINES if not begins(line, NOT_RUN) and not begins(line, WITH_INTERFACE)]
CONNECTED = [line for line in LINES if not begins(line, NOT_RUN) and begins(line, WITH_INTERFACE)]


def walk(folder: Path, line: str, until: str = "", **environment: str) -> None:
    """Run a line in a shell; once it has said ``until``, a little later as if Ctrl-C were pressed."""
    shell = f"thumbline() {{ exec '{sys.executable}' -m thumbline.cli \"$@\"; }}\n"
    said = folder / "said.txt"
    with (
        said.open("wb") as out,
        subprocess.Popen(
            ["bash", "-c", shell + line],
            cwd=folder,
            env=os.environ | environment,
            stdin=subprocess.DEVNULL,
            stdout=out,
            stderr=out,
        ) as process,
    ):
        if until:
            wait_until(lambda: process.poll() is not None or until in said.read_text("utf-8"), until)
            time.sleep(LOOKS_ON_S)
            process.send_signal(signal.SIGINT)
        code = process.wait(200.0)
    assert code == 0, f"{line}\n{said.read_text('utf-8')}"
