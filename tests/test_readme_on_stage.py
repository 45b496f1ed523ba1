"""README's commands for an interface, word for word: it finds one of that name, which plays open strings."""

import re
from pathlib import Path

import pytest

from tests.helpers.client_apart import client_apart
from tests.helpers.jack_server import jack_server
from tests.helpers.places import DATA
from tests.helpers.readme_lines import CONNECTED, ON_STAGE, README, walk
from thumbline.dsp.memory.records import MAX_STRINGS

pytestmark = pytest.mark.real_time

#: An interface with that name.
INTERFACE = """
import sys, jack, soundfile
client = jack.Client("my interface", no_start_server=True)
strings = soundfile.read(sys.argv[1], dtype="float32", always_2d=True)[0].T.copy()
sources = [client.outports.register(f"in {n + 1}") for n in range(len(strings))]
for n in range(2):
    client.inports.register(f"out {n + 1}")
@client.set_process_callback
def process(frames):
    at = client.last_frame_time % (strings.shape[1] - frames)
    for port, sound in zip(sources, strings):
        port.get_array()[:] = sound[at : at + frames]
client.activate()
print("ready", flush=True)
sys.stdin.read()
"""


def test_commands_for_an_interface_run_as_printed(tmp_path: Path) -> None:
    walk(tmp_path, "thumbline rig new my-guitar.toml")
    (songs,) = re.findall(r"^```toml\n(.*?)^```$", README, re.MULTILINE | re.DOTALL)
    (tmp_path / "evening.toml").write_text(songs)
    with (
        jack_server(tmp_path, captures=MAX_STRINGS) as server,
        client_apart(server, INTERFACE, DATA / "demo_open_strings.flac"),
    ):
        for line in CONNECTED:
            walk(tmp_path, line, ON_STAGE.get(line, ""), **server.environment)
