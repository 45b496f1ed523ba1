"""How a JACK server was started: from command lines as Linux gives them, and from a real server's."""

from pathlib import Path

import pytest

from tests.helpers.jack_server import jack_server
from thumbline.cli.devices.jack_process import is_synchronous


@pytest.mark.parametrize(
    ("command", "synchronous"),
    [
        ("jackd -S -d dummy", True),
        ("/usr/bin/jackd -R -P10 -dalsa -dhw:0 -S", False),
        ("/usr/bin/jackd -RSt 500 -d alsa -S", True),
        ("jackdmp --sync --driver alsa", True),
        ("jackd --name default --driver alsa --sync", False),
        ("jackd -n other -S -d dummy", False),
        ("jackd --name=other --sync -d dummy", False),
        ("jackd -n", False),
        ("vi -S", False),
    ],
)
def test_what_stands_before_the_drivers_name_counts(tmp_path: Path, command: str, *, synchronous: bool) -> None:
    for number, line in ((7, "sh"), (12, command)):
        (tmp_path / str(number)).mkdir()
        (tmp_path / str(number) / "cmdline").write_bytes("\0".join(line.split()).encode() + b"\0")
    (tmp_path / "13").mkdir()
    assert is_synchronous("default", tmp_path) is synchronous


@pytest.mark.real_time
@pytest.mark.parametrize("synchronous", [False, True])
def test_a_servers_own_command_line_tells(tmp_path: Path, *, synchronous: bool) -> None:
    with jack_server(tmp_path, synchronous=synchronous) as server:
        assert is_synchronous(server.name) is synchronous
    assert not is_synchronous(server.name)
