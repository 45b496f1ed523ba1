"""A client of a sound server in a process of its own: at the end it may hang with its server."""

import os
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

from tests.helpers.jack_server import JackServer


@contextmanager
def client_apart(server: JackServer, code: str, *arguments: str | Path) -> Iterator[None]:
    """Run Python ``code``, which prints "ready" once its client plays, and waits for the end of its standard input."""
    command = [sys.executable, "-c", code, *map(str, arguments)]
    with subprocess.Popen(
        command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, env=os.environ | server.environment
    ) as process:
        assert process.stdin is not None
        assert process.stdout is not None
        try:
            assert process.stdout.readline() == b"ready\n"
            yield
        finally:
            process.stdin.close()
            try:
                process.wait(2.0)
            except subprocess.TimeoutExpired:
                process.kill()
