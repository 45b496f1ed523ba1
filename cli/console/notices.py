"""Faults on stage: the cause in a few words, and what helps. Nothing here knows a screen or a log.

A :class:`Watch` compares the shared memory with what it last saw and tells each fault once, and its end where that
matters.
"""

import time
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from typing import Any

import numpy as np

from thumbline.cli.devices.pipewire import SMALLER
from thumbline.dsp.memory.record_type import Record

#: Faults of the same kind are gathered for this long before they are told again, in nanoseconds.
QUIET_NS = 5_000_000_000
#: Gain of the limiter below which it is reported, in dB.
HARD_LIMITING_DB = -6.0
#: Load of the wire above which it is reported, 0 to 1.
BUSY_WIRE = 0.8
#: A channel whose peak is at this share of full scale is clipping.
CLIPPING = 0.999
#: In the first second sound devices settle; what they lose then is counted, not told.
SETTLE_NS = 1_000_000_000
#: Good news is shown for this long, in seconds ...
NEWS_S = 4.0
#: ... and a fault for this long.
FAULT_S = 12.0
#: The largest block that `--block` accepts.
LARGEST_BLOCK = 2048


def _s(count: int) -> str:
    return "s" * (count != 1)


def _room_for(block: int) -> str:
    larger = f"a larger block (--block {2 * block}) or " if 2 * block <= LARGEST_BLOCK else ""
    return f"{larger}fewer other programs help"


#: What kinds of faults are called in large letters, by the first word of their names.
HEADLINES = {
    "engine": "NO SOUND",
    "interface": "NO SOUND",
    "keeper": "NO MIDI",
    "midi": "NO MIDI",
    "foot": "NO FEET",
    "lost": "MUTES LOST",
    "missed": "DROPOUT",
    "late": "DROPOUT",
    "clipping": "CLIPPING",
    "channel": "BAD INPUT",
    "alike": "BAD INPUT",
    "limiter": "TOO LOUD",
    "wire": "CABLE FULL",
}


@dataclass(frozen=True)
class Notice:
    """Something that the player should know."""

    kind: str  #: a fixed name, for programs
    text: str  #: one sentence
    advice: str = ""  #: what helps
    fault: bool = True  #: False: good news

    def __str__(self) -> str:
        return f"{self.text}: {self.advice}" if self.advice else self.text

    @property
    def headline(self) -> str:
        """The fault in a word or two, to be read from afar."""
        return HEADLINES.get(self.kind.split(" ")[0], "")

    def as_event(self) -> dict[str, Any]:
        """Return it as the fields of a JSON event."""
        event = {"event": "fault" if self.fault else "recovered", "kind": self.kind, "text": self.text}
        return event | {"advice": self.advice} if self.advice else event


ENGINE_DIED = Notice("engine", "The sound stopped", "it is being started again; every string is unmuted meanwhile")
ENGINE_HANGS = Notice(
    "interface", "The interface has stopped delivering sound", "check its cable and power; it is being opened again"
)
KEEPER_DIED = Notice(
    "keeper", "The MIDI sender stopped", "it is being started again; every string is unmuted, then muted as played"
)
KEEPER_HANGS = Notice(
    "keeper", "MIDI does not answer", "check the sound module's cable and power; the sender is being started again"
)


class News:
    """The latest notice, for as long as it is shown."""

    def __init__(self) -> None:
        self._notice, self._until_s = Notice("", "", fault=False), 0.0

    def tell(self, notice: Notice, seconds: float = 0.0) -> None:
        """Show a notice, for as long as its kind is, or for ``seconds``."""
        self._notice = notice
        self._until_s = time.monotonic() + (seconds or (FAULT_S if notice.fault else NEWS_S))

    @property
    def now(self) -> Notice | None:
        """The notice that is to be shown at the moment."""
        return self._notice if time.monotonic() < self._until_s else None


def channel_notices(events: Iterable[dict[str, Any]]) -> Iterator[Notice]:
    """Yield a notice for each event that tells of a faulty channel."""
    for event in events:
        if event["event"] == "channel fault":
            text = f"Input channel {event['channel']} holds invalid samples"
            yield Notice("channel", text, "replaced by silence; look at that cable")


class Watch:
    """Looks at the shared memory for faults that its writers count but do not speak of."""

    def __init__(self, live: Record, channels: tuple[int, ...]):
        self._live = live
        self._channels = channels
        self._told_ns: dict[str, int] = {}
        self._trouble = ""
        self._period, self._alike = 0, (0, 0)
        self._counts = {"missed": 0, "late": 0, "lost": 0}
        self._present = {"midi port": True, "foot port": True}

    def look(self) -> list[Notice]:
        """Return the notices that are new since the last call."""
        return [*self._sound(), *self._midi()]

    def _again(self, kind: str) -> bool:
        """Whether a fault of this kind may be told now."""
        now = time.monotonic_ns()
        if now - self._told_ns.get(kind, -QUIET_NS) < QUIET_NS:
            return False
        self._told_ns[kind] = now
        return True

    def _more(self, name: str, now: int) -> int:
        """How much a counter has grown since its last report; it is reported at most every ``QUIET_NS``."""
        more = now - self._counts[name]
        if more < 0:  # its writer was started afresh
            self._counts[name], more = 0, now
        if more and self._again(name):
            self._counts[name] = now
            return more
        return 0

    def _sound(self) -> Iterator[Notice]:
        engine = self._live.engine
        first = int(engine.first_block_ns)
        if first == 0 or time.monotonic_ns() - first < SETTLE_NS:
            self._counts |= {"missed": int(engine.missed), "late": int(engine.late)}
            return
        block = int(engine.block_frames)
        if missed := self._more("missed", int(engine.missed)):
            yield Notice(
                "missed blocks",
                f"The interface lost {missed} block{_s(missed)} of sound",
                _room_for(block),
            )
        if late := self._more("late", int(engine.late)):
            yield Notice(
                "late blocks",
                f"The computer could not keep up: {late} late block{_s(late)}",
                _room_for(block),
            )
        yield from self._arrival(block)
        peaks = np.asarray(engine.input_peak)[: len(self._channels)]
        for s in np.flatnonzero(peaks >= CLIPPING):
            if self._again(f"clipping {s}"):
                yield Notice(
                    "clipping",
                    f"String {s + 1} (input channel {self._channels[s]}) clips",
                    "turn that input down at the interface, then calibrate again",
                )
        if float(engine.limiter_db) < HARD_LIMITING_DB and self._again("limiter"):
            yield Notice(
                "limiter",
                f"The limiter takes {-float(engine.limiter_db):.0f} dB off",
                "turn the bass down (key -) or bass.level_db in the rig",
            )

    def _arrival(self, block: int) -> Iterator[Notice]:
        """Tell of sound that comes much at a time and seldom, or in which two strings are the same."""
        engine = self._live.engine
        period, alike = int(engine.period_frames), (int(engine.alike[0]), int(engine.alike[1]))
        if period != self._period and period >= 2 * block:
            yield Notice(
                "period",
                f"The sound system hands over {period} frames at a time ({1e3 * period / float(engine.rate):.0f} ms), "
                f"not the {block} asked for",
                f"set its period or buffer to {block}; with PipeWire: {SMALLER.format(frames=block)}",
            )
        self._period = period or self._period
        if alike[0] and alike != self._alike:
            yield Notice(
                "alike",
                f"Input channels {alike[0]} and {alike[1]} carry the same sound",
                "each string needs a channel of its own; with PipeWire start with pw-jack",
            )
        self._alike = alike

    def _midi(self) -> Iterator[Notice]:
        keeper = self._live.keeper
        if (trouble := bytes(keeper.fault).decode(errors="replace")) and trouble != self._trouble:
            self._trouble = trouble
            yield Notice("midi", trouble[0].upper() + trouble[1:])
        if lost := self._more("lost", int(keeper.lost)):
            yield Notice("lost events", f"The MIDI sender fell behind and missed {lost} events", "stop heavy programs")
        if float(keeper.wire_share) > BUSY_WIRE and self._again("wire"):
            yield Notice(
                "wire",
                f"The MIDI cable is {float(keeper.wire_share):.0%} full",
                "fewer modules on one port, or choice.settle_ms in the rig",
            )
        if keeper.beat_ns:
            if keeper.port_own:
                yield from self._own_port(keeper.port, bool(keeper.port_present))
            else:
                yield from self._port("midi port", "MIDI port", keeper.port, bool(keeper.port_present))
            if not keeper.foot_own:
                yield from self._port("foot port", "Foot controller", keeper.foot_port, bool(keeper.foot_present))

    def _own_port(self, name: bytes, present: bool) -> Iterator[Notice]:
        """Tell whether anything is connected to the port that others connect to."""
        port = bytes(name).decode(errors="replace")
        if not port or present == self._present["midi port"]:
            return
        self._present["midi port"] = present
        if present:
            yield Notice("midi port", f"MIDI goes to {port}", fault=False)
        else:
            advice = "connect the sound module to it, or name the module's port (--midi)"
            yield Notice("midi port", f"Nothing is connected to MIDI port {port}", advice)

    def _port(self, kind: str, what: str, name: bytes, present: bool) -> Iterator[Notice]:
        """Tell of a port that has gone or come back."""
        port = bytes(name).decode(errors="replace")
        if not port or present == self._present[kind]:
            return
        self._present[kind] = present
        if present:
            yield Notice(kind, f"{what} {port} is back", fault=False)
        else:
            yield Notice(kind, f"{what} {port} is gone", "waiting for it; check its cable and power")
