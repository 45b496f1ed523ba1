"""What `thumbline live` prints where there is no full screen: plain lines, or JSON, one object per line.

Every JSON object has ``event``; times (``time_s``) are seconds of sound since the engine's first frame.

=============  ==========================================================================================
event          fields besides ``time_s``
=============  ==========================================================================================
start          version, memory (the file that the processes share), songs (names), strings (open notes, string 1
               first), rate, block_frames
playing        in_ms, out_ms: latency as the interface reports it; left out if it does not
pluck          string, level_db
note           string, note, cents, hz: the pluck has proved to be a note
end            string, was_note
handover       string (0: none), from, cause ("pluck" or "other"), decided_s
mutes          muted: numbers of the strings whose mute was sent as on
song           number (from 1), name
channel fault  channel: holds invalid samples
page           url, code: where the stage page is, and the code that lets one more screen in (no ``time_s``); an empty
               code: no code works any more
fault          kind, text, advice: something is wrong (no ``time_s``)
recovered      kind, text: it is right again (no ``time_s``)
status         once per second, everything that the screen shows: see ``thumbline.cli.console.view.View``
stop           code and the figures of :class:`Summary`
=============  ==========================================================================================
"""

import json
import math
import sys
import time
from collections.abc import Callable
from dataclasses import asdict, dataclass
from typing import Any, Protocol

from thumbline.cli.console.notices import Notice
from thumbline.cli.console.view import View
from thumbline.cli.shared.live_memory import percentile_ns
from thumbline.dsp.memory.record_type import Record

#: Time between status events, in seconds.
STATUS_S = 1.0


@dataclass(frozen=True)
class Summary:
    """The figures of a run. Times in milliseconds; medians and percentiles are up to 19 % too high, never too low."""

    seconds: float
    blocks: int
    missed: int
    late: int
    work_median_ms: float
    work_p999_ms: float
    work_worst_ms: float
    messages: int
    decisions: int
    pluck_to_message_median_ms: float
    pluck_to_message_p95_ms: float
    pluck_to_message_worst_ms: float

    def __str__(self) -> str:
        lines = [
            f"{self.seconds:.1f} s in {self.blocks} blocks, {self.missed} missed, {self.late} late; work median "
            f"{self.work_median_ms:.2f}, 99.9 % {self.work_p999_ms:.2f}, worst {self.work_worst_ms:.2f} ms"
        ]
        if self.messages and self.decisions:
            lines.append(
                f"{self.messages} MIDI messages; pluck to message median {self.pluck_to_message_median_ms:.1f}, "
                f"95 % {self.pluck_to_message_p95_ms:.1f}, worst {self.pluck_to_message_worst_ms:.1f} ms"
            )
        return "\n".join(lines)


def summary(live: Record) -> Summary:
    """Return the figures so far."""
    engine, keeper = live.engine, live.keeper
    work_worst_ns, wait_worst_ns = int(engine.work_worst_ns), int(keeper.wait_worst_ns)

    def work_ms(share: float) -> float:
        return round(1e-6 * min(percentile_ns(engine.work_bins, share), work_worst_ns), 4)

    def wait_ms(share: float) -> float:
        return round(1e-6 * min(percentile_ns(keeper.wait_bins, share), wait_worst_ns), 3)

    return Summary(
        seconds=round(int(engine.frames) / max(float(engine.rate), 1.0), 3),
        blocks=int(engine.blocks),
        missed=int(engine.missed),
        late=int(engine.late),
        work_median_ms=work_ms(0.5),
        work_p999_ms=work_ms(0.999),
        work_worst_ms=work_ms(1.0),
        messages=int(keeper.sent),
        decisions=int(sum(keeper.wait_bins)),
        pluck_to_message_median_ms=wait_ms(0.5),
        pluck_to_message_p95_ms=wait_ms(0.95),
        pluck_to_message_worst_ms=wait_ms(1.0),
    )


class Report(Protocol):
    """Where a run is reported to."""

    def start(self, event: dict[str, Any]) -> None:
        """The processes are being started."""
        ...

    def events(self, events: list[dict[str, Any]]) -> None:
        """Something was heard or sent."""
        ...

    def notice(self, notice: Notice) -> None:
        """Something is wrong, or right again."""
        ...

    def show(self, view: Callable[[], View]) -> None:
        """Show how things stand now, if it is time to."""
        ...

    def stop(self, code: int, figures: Summary) -> None:
        """It is over."""
        ...


class JsonReport:
    """One JSON object a line on standard output."""

    def __init__(self) -> None:
        self._status_s = -math.inf

    def start(self, event: dict[str, Any]) -> None:  # noqa: D102
        self._say({"event": "start"} | event)

    def events(self, events: list[dict[str, Any]]) -> None:  # noqa: D102
        for event in events:
            self._say(event)

    def notice(self, notice: Notice) -> None:  # noqa: D102
        self._say(notice.as_event())

    def show(self, view: Callable[[], View]) -> None:  # noqa: D102
        now_s = time.monotonic()
        if now_s - self._status_s >= STATUS_S:
            self._status_s = now_s
            seen = view()
            self._say({"event": "status", "time_s": round(seen.elapsed_s, 3)} | _rounded(asdict(seen)))

    def stop(self, code: int, figures: Summary) -> None:  # noqa: D102
        self._say({"event": "stop", "time_s": figures.seconds, "code": code} | asdict(figures))

    def _say(self, event: dict[str, Any]) -> None:
        sys.stdout.write(json.dumps(event) + "\n")
        sys.stdout.flush()


class PlainReport:
    """A line on standard output for each hand-over and song; faults go to standard error."""

    def start(self, event: dict[str, Any]) -> None:  # noqa: D102
        strings, names = event["strings"], ", ".join(event["songs"])
        self._open_notes = strings
        self._say(f"{len(strings)} strings, {event['rate']} Hz, blocks of {event['block_frames']} frames: {names}")

    def events(self, events: list[dict[str, Any]]) -> None:  # noqa: D102
        for event in events:
            if event["event"] == "page":
                self._say(f"stage page: {event['url']}  code: {event['code'] or 'locked, too many wrong ones'}")
            elif (line := self._line(event)) is not None:
                self._say(f"{event['time_s']:9.3f} s  {line}")

    def _line(self, event: dict[str, Any]) -> str | None:
        kind = event["event"]
        if kind == "handover":
            string = event["string"]
            return f"bass: string {string} ({self._open_notes[string - 1]})" if string else "bass: none"
        if kind == "note":
            return f"string {event['string']}: {event['note']} {event['cents']:+.0f} cents"
        if kind == "playing":
            return "playing"
        if kind == "song":
            return f"song {event['number']}: {event['name']}"
        if kind == "channel fault":
            return f"input channel {event['channel']} holds invalid samples; replaced by silence"
        return None

    def notice(self, notice: Notice) -> None:  # noqa: D102
        sys.stderr.write(f"{notice}\n")
        sys.stderr.flush()

    def show(self, view: Callable[[], View]) -> None:  # noqa: D102
        pass

    def stop(self, code: int, figures: Summary) -> None:  # noqa: D102
        self._say(str(figures))

    def _say(self, line: str) -> None:
        sys.stdout.write(line + "\n")
        sys.stdout.flush()


def _rounded(value: Any) -> Any:
    """Return a tree of plain values with its numbers cut to what means something."""
    if isinstance(value, dict):
        return {key: _rounded(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_rounded(each) for each in value]
    return round(value, 3) if isinstance(value, float) else value
