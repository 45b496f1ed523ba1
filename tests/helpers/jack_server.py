"""A private sound server with a dummy device for tests, a player and a recorder connected to it.

Everything has a hard time limit: a server that does not answer is killed.
"""

import os
import re
import shutil
import signal
import subprocess
import uuid
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.helpers.system_parts import need

#: Seconds that a server is given to start and to end.
START_S, END_S = 20.0, 3.0


class JackServer:
    """A running server: ``name`` for the environment variable JACK_DEFAULT_SERVER, its process and its log."""

    def __init__(self, name: str, process: subprocess.Popen[bytes], log: Path) -> None:
        self.name = name
        self.process = process
        self.log = log

    @property
    def environment(self) -> dict[str, str]:
        """What a client's environment must hold to find this server and no other."""
        return {
            "JACK_DEFAULT_SERVER": self.name,
            "JACK_NO_AUDIO_RESERVATION": "1",
            "JACK_NO_START_SERVER": "1",
        }

    def end(self, number: int = signal.SIGTERM) -> None:
        """End the server by a signal, and by SIGKILL if it does not answer."""
        if self.process.poll() is None:
            self.process.send_signal(number)
            with suppress(subprocess.TimeoutExpired):
                self.process.wait(END_S)
        if self.process.poll() is None:
            self.process.kill()
            self.process.wait(END_S)
        if self.process.returncode < 0:
            self._sign_off()

    def _sign_off(self) -> None:
        """Free the place of a server that was killed: the system has eight, and only its namesake may take it over."""
        _come_and_go(self.name)


def _come_and_go(name: str) -> None:
    """Run a server for a moment, so that its name is free again."""
    command = ["jackd", "-r", "-m", "-n", name, "-d", "dummy"]
    server = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        server.wait(1.0)
    except subprocess.TimeoutExpired:
        server.terminate()
        with suppress(subprocess.TimeoutExpired):
            server.wait(END_S)
        server.kill()
        server.wait()


def _sign_off_the_killed() -> None:
    """Free the places of test servers that were killed together with their test."""
    with suppress(OSError):
        named = set(re.findall(rb"test-[0-9a-f]{8}", Path("/dev/shm/jack-shm-registry").read_bytes()))
        running = b"".join(path.read_bytes() for path in Path("/proc").glob("[0-9]*/cmdline"))
        for name in named:
            if name not in running:
                _come_and_go(name.decode())


def again(server: JackServer) -> None:
    """Start a server that has ended once more, under the same name."""
    with server.log.open("ab") as log:
        server.process = subprocess.Popen(server.process.args, stdout=log, stderr=log)
    ready = ["jack_wait", "-s", server.name, "-w", "-t", "20"]
    subprocess.run(ready, env=os.environ | server.environment, stdout=subprocess.DEVNULL, check=True)


@contextmanager
def jack_server(
    folder: Path,
    *,
    rate: int = 48000,
    period: int = 64,
    captures: int = 6,
    playbacks: int = 2,
    synchronous: bool = False,
    realtime: bool = True,
    client_timeout_ms: int = 5000,
) -> Iterator[JackServer]:
    """Run a server with a dummy device of so many channels; skip the test if JACK is not installed."""
    need("jackd")
    _sign_off_the_killed()
    name = f"test-{uuid.uuid4().hex[:8]}"
    log = folder / "jackd.log"
    command = ["jackd", "-R" if realtime else "-r", "-m", *(["-S"] if synchronous else [])]
    command += ["-t", str(client_timeout_ms), "-n", name]
    command += ["-d", "dummy", "-r", str(rate), "-p", str(period), "-C", str(captures), "-P", str(playbacks)]
    with log.open("wb") as out:
        process = subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=out, stderr=subprocess.STDOUT)
    server = JackServer(name, process, log)
    try:
        wait = [shutil.which("jack_wait") or need("jack_wait"), "-s", name, "-w", "-t", str(int(START_S))]
        ready = subprocess.run(
            wait, env=os.environ | server.environment, capture_output=True, timeout=START_S + 5.0, check=False
        )
        assert ready.returncode == 0, log.read_text(errors="replace")
        yield server
    finally:
        server.end()
        for leftover in Path("/dev/shm").glob(f"*{name}*"):
            with suppress(OSError):
                leftover.unlink()
