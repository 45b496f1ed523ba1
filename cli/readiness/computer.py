"""What the system tells of the computer: battery, clock governor, free processor time. All of it Linux's (sysfs, proc).

Sources: Documentation/ABI/testing/sysfs-class-power and Documentation/admin-guide/pm/cpufreq.rst of the Linux kernel,
proc(5) for ``/proc/stat`` (from memory).
"""

from collections.abc import Iterator
from contextlib import suppress
from pathlib import Path
from typing import NamedTuple

POWER = Path("/sys/class/power_supply")
PROCESSORS = Path("/sys/devices/system/cpu")
TIMES = Path("/proc/stat")
#: A governor that lets the clock sleep between blocks.
SAVING = "powersave"
#: Drivers whose governor of that name is about as quick as any other (intel_pstate and amd-pstate in active mode).
QUICK_DRIVERS = ("intel_pstate", "amd-pstate-epp")


class Battery(NamedTuple):
    """A battery that powers the computer."""

    percent: int
    discharging: bool


def batteries(power: Path = POWER) -> Iterator[Battery]:
    """Yield the computer's batteries; those of mice and pedals (scope Device) are not among them."""
    for supply in sorted(power.glob("*")):
        if _text(supply / "type") == "Battery" and _text(supply / "scope") != "Device":
            with suppress(ValueError):
                yield Battery(int(_text(supply / "capacity")), _text(supply / "status") == "Discharging")


def saving_governor(processors: Path = PROCESSORS) -> bool:
    """Whether a processor's clock governor is one that saves power at the cost of late blocks; False if unknown."""
    return any(
        _text(folder / "scaling_governor") == SAVING and _text(folder / "scaling_driver") not in QUICK_DRIVERS
        for folder in processors.glob("cpu[0-9]*/cpufreq")
    )


class FreeShare:
    """How much of all processors is free from now on."""

    def __init__(self, times: Path = TIMES) -> None:
        self._times = times
        self._begun = self._read()

    def share(self) -> float | None:
        """Return the share since the beginning, 0 to 1; None where the system does not tell."""
        begun, now = self._begun, self._read()
        if begun is None or now is None or now[1] <= begun[1]:
            return None
        return (now[0] - begun[0]) / (now[1] - begun[1])

    def _read(self) -> tuple[int, int] | None:
        """Time in which nobody had anything to do, and all time, in ticks; waiting for a disk counts as free."""
        fields = _text(self._times).partition("\n")[0].split()
        if len(fields) < 9 or fields[0] != "cpu":
            return None
        spent = list(map(int, fields[1:9]))
        return spent[3] + spent[4], sum(spent)


def _text(path: Path) -> str:
    with suppress(OSError, UnicodeDecodeError):
        return path.read_text().strip()
    return ""
