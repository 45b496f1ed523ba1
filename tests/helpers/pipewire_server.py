"""A private PipeWire for tests: a six-channel interface that gives back what is played to it, and a stereo sink."""

import os
import subprocess
import time
from collections.abc import Iterator
from contextlib import contextmanager, suppress
from pathlib import Path

from tests.helpers.system_parts import need

#: The interface's name, the sink's, and how many frames the server hands over at a time.
INTERFACE, SINK, PERIOD = "Hexa Interface", "Stage Out", 256
#: Seconds that its parts are given to be there.
START_S = 20.0
SETTINGS = f"""\
context.properties = {{ default.clock.rate = 48000 default.clock.quantum = {PERIOD} }}
context.objects = [
  {{ factory = adapter args = {{ factory.name = support.null-audio-sink node.name = hexa
     node.description = "{INTERFACE}" media.class = Audio/Duplex object.linger = true
     audio.position = [ AUX0 AUX1 AUX2 AUX3 AUX4 AUX5 ] }} }}
  {{ factory = adapter args = {{ factory.name = support.null-audio-sink node.name = stage
     node.description = "{SINK}" media.class = Audio/Sink object.linger = true audio.position = [ FL FR ] }} }}
]
"""


class PipeWire:
    """A running server; ``environment`` is what its clients need."""

    def __init__(self, folder: Path):
        self._folder = folder
        self._running: list[subprocess.Popen[bytes]] = []
        self.environment = {
            "XDG_RUNTIME_DIR": str(folder / "run"),
            "XDG_CONFIG_HOME": str(folder / "config"),
            "XDG_STATE_HOME": str(folder / "state"),
            "PIPEWIRE_LATENCY": f"{PERIOD}/48000",
        }

    def start(self) -> None:
        """Start it and its session manager, and wait for the interface."""
        folder = self._folder
        environment = {key: value for key, value in os.environ.items() if key != "DBUS_SESSION_BUS_ADDRESS"}
        environment |= self.environment
        session = [need("dbus-run-session"), "--", need("wireplumber")]
        for name, command in (("pipewire", [need("pipewire")]), ("session", session)):
            with (folder / f"{name}.log").open("ab") as log:
                self._running.append(subprocess.Popen(command, env=environment, stdout=log, stderr=log))
            until = time.monotonic() + START_S
            while name == "pipewire" and not (folder / "run" / "pipewire-0").exists():
                assert time.monotonic() < until, (folder / "pipewire.log").read_text(errors="replace")
                time.sleep(0.05)
        until = time.monotonic() + START_S
        while "hexa:capture_AUX5" not in (ports := self.run("pw-link", "-io")) or "stage:playback_FR" not in ports:
            assert time.monotonic() < until, (folder / "session.log").read_text(errors="replace")
            time.sleep(0.1)

    def kill(self) -> None:
        """End it as a crash does; :meth:`start` starts it again."""
        server, *others = self._running
        server.kill()
        server.wait()
        self._running = others
        self.end()
        for socket in (self._folder / "run").glob("pipewire-0*"):
            socket.unlink()

    def end(self) -> None:
        """End all of it."""
        for process in reversed(self._running):
            process.terminate()
            with suppress(subprocess.TimeoutExpired):
                process.wait(3.0)
            process.kill()
            process.wait()
        self._running.clear()

    def run(self, *command: str) -> str:
        """Run a client to its end; returns what it printed."""
        done = subprocess.run(
            command, env=os.environ | self.environment, capture_output=True, text=True, timeout=60, check=False
        )
        return done.stdout

    def play(self, take: Path) -> "subprocess.Popen[bytes]":
        """Play a file of six channels into the interface."""
        channels = "AUX0,AUX1,AUX2,AUX3,AUX4,AUX5"
        command = [need("pw-cat"), "-p", "--target", "hexa", "--channel-map", channels, str(take)]
        return subprocess.Popen(
            command, env=os.environ | self.environment, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
        )


@contextmanager
def pipewire_server(folder: Path) -> Iterator[PipeWire]:
    """Run PipeWire and its session manager, apart from the desktop's; skip the test where they are not installed."""
    for name in ("pipewire", "dbus-run-session", "wireplumber", "pw-link", "pw-jack", "pw-cat"):
        need(name)
    settings = folder / "config" / "pipewire" / "pipewire.conf.d"
    settings.mkdir(parents=True)
    (settings / "test.conf").write_text(SETTINGS)
    (folder / "run").mkdir(mode=0o700)
    server = PipeWire(folder)
    try:
        server.start()
        yield server
    finally:
        server.end()
