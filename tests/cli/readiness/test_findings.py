"""What is not ready, from what was seen; and what the system tells of the computer, from files like Linux's."""

from dataclasses import replace
from pathlib import Path
from typing import Any

import pytest

from thumbline.cli.readiness.computer import Battery, FreeShare, batteries, saving_governor
from thumbline.cli.readiness.findings import Seen, findings
from thumbline.dsp.rig.model import Rig

EVERY = frozenset(range(1, 7))
RIG = Rig.model_validate({"midi": {"port": "module"}, "feet": [{"action": "hold", "number": 81}]})
GOOD = Seen(
    heard=EVERY,
    muted=EVERY,
    pressed=frozenset({0}),
    port_present=True,
    foot_present=True,
    keepers_ready=2,
    period_frames=64,
    blocks=20_000,
    free=0.6,
    batteries=(Battery(90, False),),
)


def test_nothing_is_said_where_all_is_well() -> None:
    assert list(findings(RIG, GOOD)) == []


@pytest.mark.parametrize(
    ("change", "said"),
    [
        ({"heard": EVERY - {3}, "muted": EVERY - {3}}, "string 3 (G3): no note was heard on input channel 3"),
        ({"muted": EVERY - {6}}, "mute of string 6: never sent and taken back"),
        ({"port_present": False}, 'mutes: no MIDI port "module"'),
        ({"keepers_ready": 0}, "mutes: nobody stands by"),
        ({"pressed": frozenset()}, 'foot switch 1 ("hold", control change 81 on channel 1): was not pressed'),
        ({"foot_present": False}, "foot controller: nothing is connected to its port"),
        ({"period_frames": 1024}, "sound system: hands over 1024 frames at a time (21 ms), not the 64 asked for"),
        ({"missed": 1}, "interface: lost 1 of 20000 blocks"),
        ({"late": 2}, "computer: 2 of 20000 blocks came too late"),
        ({"work_ms": 0.9}, "computer: a block of 1.33 ms takes 0.90 ms of work"),
        ({"free": 0.05}, "computer: 5% of the processors is free; accepted: 20%"),
        ({"batteries": (Battery(80, True),)}, "battery: 80 %, and is not being charged"),
        ({"batteries": (Battery(20, False),)}, "battery: 20 %, though it is being charged"),
        ({"saving_governor": True}, 'clock governor: "powersave"'),
        ({"faults": ("alike: two channels",)}, "alike: two channels"),
    ],
)
def test_each_thing_that_is_not_ready_is_one_line(change: dict[str, Any], said: str) -> None:
    (line,) = findings(RIG, replace(GOOD, **change))
    assert line.startswith(said)
    assert "\n" not in line


def lay(folder: Path, **files: str) -> None:
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text + "\n")


def test_batteries_of_mice_are_not_the_computers(tmp_path: Path) -> None:
    lay(tmp_path / "AC", type="Mains", online="0")
    lay(tmp_path / "BAT0", type="Battery", capacity="57", status="Discharging")
    lay(tmp_path / "mouse", type="Battery", scope="Device", capacity="3", status="Discharging")
    assert list(batteries(tmp_path)) == [Battery(57, True)]
    assert list(batteries(tmp_path / "nowhere")) == []


@pytest.mark.parametrize(
    ("governor", "driver", "saves"),
    [
        ("powersave", "acpi-cpufreq", True),
        ("powersave", "intel_pstate", False),
        ("performance", "acpi-cpufreq", False),
    ],
)
def test_a_governor_that_saves_power_is_found(tmp_path: Path, governor: str, driver: str, saves: bool) -> None:
    lay(tmp_path / "cpu0" / "cpufreq", scaling_governor="performance", scaling_driver=driver)
    lay(tmp_path / "cpu1" / "cpufreq", scaling_governor=governor, scaling_driver=driver)
    assert saving_governor(tmp_path) is saves


def test_the_free_share_counts_from_the_beginning(tmp_path: Path) -> None:
    times = tmp_path / "stat"
    times.write_text("cpu  100 0 100 1000 0 0 0 0 0 0\ncpu0 1 2 3\n")
    free = FreeShare(times)
    assert free.share() is None, "no time has passed"
    times.write_text("cpu  150 0 120 1020 10 0 0 0 0 0\ncpu0 1 2 3\n")
    assert free.share() == pytest.approx(0.3)
    assert FreeShare(tmp_path / "nowhere").share() is None
