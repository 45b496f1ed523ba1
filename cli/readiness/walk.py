"""One walk through everything: the processes of `thumbline live` play, with the sound off, until all has been seen."""

import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

from thumbline.cli.console.child_processes import Backstage
from thumbline.cli.console.notices import Notice
from thumbline.cli.console.reports import Summary, summary
from thumbline.cli.console.run import RunOptions, play
from thumbline.cli.console.view import View
from thumbline.cli.devices.jack_midi import PLACE
from thumbline.cli.devices.jack_process import is_synchronous
from thumbline.cli.readiness.computer import FreeShare, batteries, saving_governor
from thumbline.cli.readiness.findings import Seen
from thumbline.cli.shared.live_memory import attach
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.model import Rig

#: The computer is watched for so long at least, and between two lines of what is missing there is so long, in seconds.
SHORTEST_S, TOLD_S = 5.0, 3.0
#: Notices that findings say better, or that are none of the show's business.
SAID_OTHERWISE = ("missed blocks", "late blocks", "period", "midi port", "foot port", "limiter", "wire")


class _AllSeenError(Exception):
    """The walk is over."""


class Walk:
    """A report of a run (``thumbline.cli.console.reports.Report``) that notes what has been seen, and ends it."""

    def __init__(self, rig: Rig, longest_s: float, tell: Callable[[str], object]) -> None:
        self._rig, self._longest_s, self._tell = rig, longest_s, tell
        self._heard: set[int] = set()
        self._faults: list[str] = []
        self._began_s = self._told_s = 0.0
        self._free = FreeShare()
        self.seen = Seen()

    def start(self, event: dict[str, Any]) -> None:  # noqa: D102
        self._live = attach(Path(event["memory"]))

    def events(self, events: list[dict[str, Any]]) -> None:  # noqa: D102
        for event in events:
            if event["event"] == "playing" and not self._began_s:
                self._began_s = self._told_s = time.monotonic()
                self._free = FreeShare()
            elif event["event"] == "note":
                self._heard.add(event["string"])
            elif event["event"] == "channel fault":
                self._faults.append(f"input channel {event['channel']}: holds invalid samples")

    def notice(self, notice: Notice) -> None:  # noqa: D102
        if notice.fault and notice.kind not in SAID_OTHERWISE:
            self._faults.append(f"{notice.kind}: {notice}")

    def show(self, view: Callable[[], View]) -> None:  # noqa: D102
        if not self._began_s:
            return
        missing, passed_s = self._missing(), time.monotonic() - self._began_s
        if passed_s > self._longest_s or (not missing and passed_s > min(SHORTEST_S, self._longest_s)):
            self.seen = self._all_seen()
            raise _AllSeenError
        if missing and time.monotonic() - self._told_s > TOLD_S:
            self._told_s = time.monotonic()
            self._tell(f"{self._longest_s - passed_s:3.0f} s left: {missing}")

    def stop(self, code: int, figures: Summary) -> None:  # noqa: D102
        pass

    @property
    def _muted(self) -> set[int]:
        """Strings whose mute was closed and opened again, as the keeper counts: a look may miss a short one."""
        return {string for string, times in enumerate(self._live.keeper.reopened, 1) if times}

    @property
    def _pressed(self) -> set[int]:
        pressed = int(self._live.keeper.foot_pressed)
        return {index for index in range(len(self._rig.feet)) if pressed >> index & 1}

    def _missing(self) -> str:
        """What the player has still to do."""
        strings = sorted({*range(1, self._rig.string_count + 1)} - self._heard)
        feet = sorted({*range(len(self._rig.feet))} - self._pressed) if self._live.keeper.foot_present else []
        wanted = [
            *([f"play string {', '.join(map(str, strings))}"] if strings else []),
            *([f"press {', '.join(self._rig.feet[index].action for index in feet)}"] if feet else []),
        ]
        sends = bool(self._rig.mutes.modules) and bool(self._live.keeper.port_present)
        if not wanted and sends and self._heard - self._muted:
            wanted.append("play all strings once more, one after the other")
        return "; ".join(wanted)

    def _all_seen(self) -> Seen:
        live = self._live
        engine, keeper, figures = live.engine, live.keeper, summary(live)
        place = bytes(keeper.port_place).decode(errors="replace")
        return Seen(
            heard=frozenset(self._heard),
            muted=frozenset(self._muted),
            pressed=frozenset(self._pressed),
            port_present=bool(keeper.port_present),
            foot_present=bool(keeper.foot_present),
            keepers_ready=int(sum(keeper.standby_warm)),
            server_waits=place.startswith(PLACE) and is_synchronous(place.removeprefix(PLACE)),
            rate=max(float(engine.rate), 1.0),
            block_frames=int(live.setup.block_frames),
            period_frames=int(engine.period_frames),
            blocks=figures.blocks,
            missed=figures.missed,
            late=figures.late,
            work_ms=figures.work_p999_ms,
            free=self._free.share(),
            batteries=tuple(batteries()),
            saving_governor=saving_governor(),
            faults=tuple(dict.fromkeys(self._faults)),
        )


def walk(options: RunOptions, backstage: Backstage, longest_s: float, tell: Callable[[str], object]) -> Seen:
    """Walk through everything for ``longest_s`` at most; ``tell`` is given what the player has still to do.

    Raises InputError for what cannot even begin: a device or port that is not there.
    """
    report = Walk(options.settings[0][1], longest_s, tell)
    try:
        outcome = play(options, backstage, report)
    except _AllSeenError:
        return report.seen
    if not outcome.code:  # only the player ends it without a word
        raise KeyboardInterrupt
    raise InputError(outcome.text)
