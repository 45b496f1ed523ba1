"""Plays the demo take to a sound module on a private sound server, and keeps what the screen is told at one moment."""

import json
import tempfile
from pathlib import Path
from typing import Any

import jack

from tests.helpers.jack_server import jack_server
from tests.helpers.live_process import LiveProcess, wait_until
from tests.helpers.places import DATA

KEPT = Path(__file__).with_name("stage.json")
#: The moment: the thumb has the bass on string 5, and three strings ring above it. Seconds of the take.
AT_S = 5.45
SET = """\
base = "{rig}"

[[songs]]
name = "Slack Water"

[[songs]]
name = "Lantern Walk"
bass = {{ interval = -24 }}
"""
FEET = """
[[feet]]
action = "hold"
number = 80

[[feet]]
action = "next song"
number = 81

[[feet]]
action = "bass level"
number = 7
"""


def take_snapshot() -> dict[str, Any]:
    """Return the status nearest to the moment, as `thumbline live --json` prints it."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "rig.toml").write_text((DATA / "demo.toml").read_text("utf-8") + FEET, "utf-8")
        (folder / "evening.toml").write_text(SET.format(rig=folder / "rig.toml"), "utf-8")
        with jack_server(folder, period=64) as server:
            client = jack.Client("bass module", no_start_server=True, servername=server.name)
            client.midi_inports.register("in")
            client.activate()
            arguments = ("--set", folder / "evening.toml", "--take", DATA / "demo.flac", "--midi", "bass module:in")
            with LiveProcess(*arguments, environment=server.environment) as live:
                wait_until(
                    lambda: any(each["time_s"] > AT_S + 1.0 for each in live.of_kind("status")), "the moment", 90.0
                )
                found = min(live.of_kind("status"), key=lambda each: abs(each["time_s"] - AT_S))
            client.deactivate()
            client.close()
    return found


if __name__ == "__main__":
    KEPT.write_text(json.dumps(take_snapshot(), indent=1) + "\n", "utf-8")
