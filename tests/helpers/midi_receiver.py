"""A sound module for tests in a process of its own: it hears what comes however busy or stuck the test's process is."""

import os
import signal
import subprocess
import sys
import threading
import time
from collections import deque
from collections.abc import Mapping, Sequence
from typing import Any

import pytest


class Receiver:
    """Hears control changes at a JACK port, ``module:in`` if not told otherwise; six strings, controllers from 102.

    ``server_name`` may be "": the one that is found in ``environment`` by way of ``under``.
    """

    def __init__(
        self,
        server_name: str,
        client_name: str = "module",
        *,
        under: Sequence[str] = (),
        environment: Mapping[str, str] | None = None,
    ):
        pytest.importorskip("jack", reason="needs JACK-Client and libjack")
        self.messages: list[tuple[float, int, int]] = []  # monotonic seconds, string, value
        self.signs_of_life: list[float] = []  # monotonic seconds
        command = [*under, sys.executable, __file__, server_name, client_name]
        self._process = subprocess.Popen(
            command, stdout=subprocess.PIPE, text=True, env=os.environ | dict(environment or {})
        )
        assert self._process.stdout is not None
        self._lines = self._process.stdout
        assert self._lines.readline() == "ready\n"
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        for line in self._lines:
            nanoseconds, status, *data = map(int, line.split())
            if status == 0xFE:  # active sensing
                self.signs_of_life.append(nanoseconds * 1e-9)
                continue
            controller, value = data
            assert status == 0xB0
            self.messages.append((nanoseconds * 1e-9, controller - 101, value))

    @property
    def muted(self) -> set[int]:
        values = {string: value for _, string, value in list(self.messages)}
        return {string for string, value in values.items() if value}

    def opened_at(self, after_s: float) -> float | None:
        """When, after that, every string was first open; None if that has not been."""
        muted: set[int] = set()
        for at_s, string, value in list(self.messages):
            (muted.add if value else muted.discard)(string)
            if at_s > after_s and not muted:
                return at_s
        return None

    def close(self) -> None:
        """Vanish."""
        self._process.terminate()
        try:
            self._process.wait(2.0)
        except subprocess.TimeoutExpired:  # its server has died
            self._process.kill()
            self._process.wait()
        self._thread.join()
        self._lines.close()


def main() -> None:
    import jack

    received: deque[tuple[int, bytes]] = deque()
    client = jack.Client(sys.argv[2], no_start_server=True, servername=sys.argv[1] or None)
    port: Any = client.midi_inports.register("in")

    @client.set_process_callback
    def process(_frames: int) -> None:
        now = time.monotonic_ns()
        received.extend((now, bytes(message)) for _, message in port.incoming_midi_events())

    told: list[int] = []
    signal.signal(signal.SIGTERM, lambda number, _: told.append(number))
    client.activate()
    print("ready", flush=True)
    while not told:
        while received:
            when, message = received.popleft()
            print(when, *message, flush=True)
        time.sleep(0.001)
    client.deactivate()
    client.close()  # a server with a client that was killed takes seconds to end


if __name__ == "__main__":
    main()
