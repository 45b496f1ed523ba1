"""An output port of the program in a process of its own, as a keeper has it: one client per process."""

import json
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any, Self


class PortApart:
    """Opens an output port, looks at it all the time, and sends what it is given; a context manager."""

    def __init__(self, wanted: str, environment: Mapping[str, str]):
        self.state: dict[str, Any] = {"present": False, "name": "", "connections": []}
        command = [sys.executable, "-m", "tests.helpers.port_apart", wanted]
        pipe = subprocess.PIPE
        self._process = subprocess.Popen(command, env=environment, stdin=pipe, stdout=pipe, text=True)
        self._thread = threading.Thread(target=self._read, daemon=True)
        self._thread.start()

    def _read(self) -> None:
        assert self._process.stdout is not None
        for line in self._process.stdout:
            self.state = json.loads(line)

    @property
    def present(self) -> bool:
        return self.state["present"]

    @property
    def name(self) -> str:
        return self.state["name"]

    def send(self, message: Sequence[int]) -> None:
        assert self._process.stdin is not None
        print(json.dumps(message), file=self._process.stdin, flush=True)

    @property
    def locked_kib(self) -> int:
        """Memory that the process has locked (Linux)."""
        status = Path(f"/proc/{self._process.pid}/status").read_text()
        return next(int(line.split()[1]) for line in status.splitlines() if line.startswith("VmLck"))

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *error: object) -> None:
        assert self._process.stdin is not None
        assert self._process.stdout is not None
        self._process.stdin.close()
        try:
            assert self._process.wait(10.0) == 0
        finally:
            self._process.kill()
            self._process.wait()
            self._thread.join(5.0)
            self._process.stdout.close()


def main() -> None:
    from thumbline.cli.devices.midi_ports import OutputPort

    lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()

    def read() -> None:
        for line in sys.stdin:
            lines.put(line)
        lines.put(None)

    threading.Thread(target=read, daemon=True).start()
    port = OutputPort(sys.argv[1])
    port.open(wait=True)
    told: Any = None
    while True:
        port.look()
        state = {"present": port.present, "name": port.name, "connections": port.connections}
        if state != told:
            told = state
            print(json.dumps(state), flush=True)
        while not lines.empty():
            line = lines.get()
            if line is None:
                port.close()
                return
            port.send(json.loads(line))
        time.sleep(0.002)


if __name__ == "__main__":
    main()
