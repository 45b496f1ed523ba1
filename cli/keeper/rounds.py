"""The keeper's work: one round of looking at the shared memory, the port, and of sending.

A round never waits. What it sends goes out in the order: what forces the strings open, hand-overs as they were
decided, what has come due.
"""

import time
from collections import deque
from collections.abc import Callable, Iterable, Sequence

import numpy as np

from thumbline.cli.devices.midi_ports import OutputPort
from thumbline.cli.keeper.feet import controls
from thumbline.cli.keeper.keep_alive import KeepAlive
from thumbline.cli.keeper.orders import Orders
from thumbline.cli.shared.live_memory import PLAYING, READY, bin_of, encoded, encoded_names, field_view, frame_time_ns
from thumbline.cli.shared.processes import ProcessHandle
from thumbline.dsp.live.bass_line import LiveBassLine
from thumbline.dsp.live.mutes import LiveMutes
from thumbline.dsp.memory.events import BY_PLUCK, EVENTS, HANDOVER
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.midi.mutes import ControlChange, open_set_of
from thumbline.dsp.midi.numbers import BAUD, BITS_PER_BYTE

#: An engine that plays and has served no block for this long, and for so many blocks, has stopped.
ENGINE_SILENT_NS, ENGINE_SILENT_BLOCKS = 100_000_000, 3
#: A console whose heartbeat is older than this has stopped.
CONSOLE_SILENT_NS = 150_000_000
#: For so long after a keeper's port is there every string stays open, so that one of the repeats is heard however new
#: the port is; and it is waited for so long before a keeper that is to end at once gives up.
BEGIN_NS, LONGEST_NS = 100_000_000, 3_000_000_000
#: Time between looks at the ports, in nanoseconds.
PORT_LOOK_NS = 4_000_000
#: While the engine has told of nothing for so long, nobody plays, in nanoseconds.
IDLE_NS = 2_000_000_000
#: How often it is asked whether a process has ended, in nanoseconds.
ASK_NS = 10_000_000
#: How often what changes slowly is told to the console, in nanoseconds.
REPORT_NS = 10_000_000
#: What a MIDI cable carries, in bytes per second.
WIRE_BYTES_S = BAUD / BITS_PER_BYTE
SECOND_NS = 1_000_000_000


#: Fields that are looked at in every round.
LOOKED_AT = (
    "request.stop",
    "request.split",
    "request.all_open",
    "engine.phase",
    "engine.pid",
    "engine.rate",
    "engine.block_frames",
    "engine.setting",
    "engine.started_ns",
    "engine.block_at_ns",
    "console.beat_ns",
    "console.pid",
    "keeper.beat_ns",
    "state.events_written",
)


class Keeper:
    """What is known between rounds.

    Parameters
    ----------
    live
        The shared record.
    orders
        What holds for each setting.
    out
        Where messages go.
    stands_by
        Whether at this time (nanoseconds) somebody could take over at once.
    """

    def __init__(self, live: Record, orders: Orders, out: OutputPort, stands_by: Callable[[int], bool]):
        self._live, self._orders, self._out, self._stands_by = live, orders, out, stands_by
        self._now = {path: field_view(live, path) for path in LOOKED_AT}
        self._bass_line = LiveBassLine(orders.bass_channel, orders.bend_range) if orders.bass_notes else None
        self._alive = KeepAlive(orders.keep_alive)
        self._setting = -1
        self._mutes = LiveMutes(orders.strings, ())
        self._forced = ""
        self._console, self._engine = ProcessHandle(int(live.console.pid)), ProcessHandle(int(live.engine.pid))
        self._engine_silent_ns: float = ENGINE_SILENT_NS
        self._asked_ns = self._reported_ns = 0
        self._reported: tuple[object, ...] = ()  # what the console was told last
        self._closed: frozenset[int] = frozenset()  # strings whose mute was sent as closed last
        self._engine_started = 0
        self._begun_ns = 0  # when the first port was there, 0 before
        self._waits_from_ns = self._port_looked_ns = self._heard_ns = 0
        self._repeated = int(live.keeper.repeated)
        self._read = 0
        self._wire: deque[tuple[int, int]] = deque()
        self._wire_bytes = 0

    def begin(self) -> None:
        """Say first of all that every string is open."""
        now_ns = self._waits_from_ns = self._heard_ns = time.monotonic_ns()
        if self._out.present:
            self._begun_ns = now_ns
        self._use_setting(int(self._live.engine.setting), now_ns)
        self._force("the keeper has just begun", now_ns)
        if self._bass_line is not None:
            self._send(self._bass_line.begin(), now_ns)
        self._resume_reading()

    def round(self) -> bool:
        """Do what is to be done now; False once there is nothing left to do but :meth:`end`."""
        now_ns, now = time.monotonic_ns(), self._now
        now["keeper.beat_ns"][0] = now_ns
        if now_ns - self._asked_ns > ASK_NS:
            self._ask()
            self._asked_ns = now_ns
        self._look_at_ports(now_ns)
        # Who has taken over says first that every string is open, even if there is nothing else left to do.
        waits = not self._begun_ns and now_ns - self._waits_from_ns < LONGEST_NS and bool(self._out.name)
        if (now["request.stop"][0] or self._console.ended) and not waits:
            return False
        if now["engine.setting"][0] != self._setting:
            self._use_setting(now["engine.setting"][0], now_ns)
        forced = self._what_forces_open(now_ns)
        if forced and not self._forced:
            self._force(forced, now_ns)
        self._forced = forced if self._forced and forced else self._forced
        self._hand_over(now_ns)
        if self._forced and not forced:
            self._forced = ""
            self._send_mutes(self._mutes.release(now_ns * 1e-9), now_ns)
        self._send_mutes(self._mutes.due(now_ns * 1e-9), now_ns)
        self._send(self._alive.due(now_ns), now_ns)
        if now_ns - self._reported_ns > REPORT_NS:
            self._report(now_ns)
            self._reported_ns = now_ns
        return True

    def is_idle(self, now_ns: int) -> bool:
        """Whether nobody has played for a while, so that rounds may be fewer."""
        return now_ns - self._heard_ns > IDLE_NS

    def end(self) -> None:
        """Open every string, several times over, and end the note that sounds. Takes 0.1 s."""
        now_ns = time.monotonic_ns()
        self._force("the end", now_ns)
        until = now_ns + SECOND_NS // 10
        while now_ns < until:
            self._send_mutes(self._mutes.due(now_ns * 1e-9), now_ns)
            self._report(now_ns)
            self._live.keeper.beat_ns = now_ns
            time.sleep(0.002)
            now_ns = time.monotonic_ns()

    def _ask(self) -> None:
        """Learn who the console and the engine are now, and ask whether they have ended."""
        now = self._now
        if now["console.pid"][0] != self._console.pid:
            self._console.close()
            self._console = ProcessHandle(now["console.pid"][0])
        if now["engine.pid"][0] != self._engine.pid:
            self._engine.close()
            self._engine = ProcessHandle(now["engine.pid"][0])
        block_ns = now["engine.block_frames"][0] * SECOND_NS / max(now["engine.rate"][0], 1.0)
        self._engine_silent_ns = max(ENGINE_SILENT_NS, ENGINE_SILENT_BLOCKS * block_ns)

    def _what_forces_open(self, now_ns: int) -> str:
        """Why every string must be open now; "" if as they are wanted."""
        now = self._now
        somebody = self._stands_by(
            now_ns
        )  # asked in any case: who hangs is ended then, and may be what holds up the port
        if not self._out.present:
            return "no port is there"
        if now_ns - self._begun_ns < BEGIN_NS:
            return "the keeper has just begun"
        if not self._out.protected:
            return "nobody could take over the port's connections"
        if not somebody:
            return "nobody stands by"
        if now["request.all_open"][0]:
            return "every string is to be unmuted"
        if not now["request.split"][0]:
            return "the split is off"
        if now["engine.phase"][0] != PLAYING or self._engine.ended:
            return "the engine does not play"
        if now_ns - now["engine.block_at_ns"][0] > self._engine_silent_ns:
            return "the engine has stopped"
        if now["console.pid"][0] and now_ns - now["console.beat_ns"][0] > CONSOLE_SILENT_NS:
            return "the console has stopped"
        return ""

    def _force(self, why: str, now_ns: int) -> None:
        self._forced = why
        self._send_mutes(self._mutes.force_open(now_ns * 1e-9), now_ns)
        if self._bass_line is not None:
            self._send(self._bass_line.silence(), now_ns)

    def _use_setting(self, setting: int, now_ns: int) -> None:
        """Go by another setting. Where its modules differ, those of the old one are left open."""
        old = self._orders.settings[self._setting] if self._setting >= 0 else None
        new = self._orders.settings[setting]
        self._setting = setting
        if old is not None and (old.modules, old.order, old.gap_s) == (new.modules, new.order, new.gap_s):
            return
        now_s, wanted = now_ns * 1e-9, self._mutes.wanted
        if old is not None and old.modules != new.modules:
            self._send_mutes(self._mutes.force_open(now_s), now_ns)
        self._repeated += self._mutes.repeated
        self._mutes = LiveMutes(self._orders.strings, new.modules, new.order, new.gap_s, self._orders.resend_s)
        if old is not None:
            if self._forced:
                self._mutes.force_open(now_s)
            self._mutes.want(now_s, wanted)
            self._send_mutes(self._mutes.whole_state(now_s), now_ns)

    def _resume_reading(self) -> None:
        """Take over in the middle: go by which string has the bass now, and read what comes from here on."""
        state = self._live.state
        self._engine_started = int(self._live.engine.started_ns)
        self._read = int(state["events_written"])
        open_set = self._open_set(int(state["bass"]) + 1)
        self._mutes.want(time.monotonic_ns() * 1e-9, open_set if open_set is not None else self._mutes.wanted)

    def _open_set(self, string: int) -> frozenset[int] | None:
        return open_set_of(string, self._orders.strings, self._orders.settings[self._setting].silence)

    def _hand_over(self, now_ns: int) -> None:
        """Carry out what the engine has decided since the last round."""
        written = self._now["state.events_written"][0]
        if self._now["engine.started_ns"][0] != self._engine_started or written < self._read:
            self._resume_reading()
            return
        if written == self._read:
            return
        live = self._live
        ring = live.state["events"]
        events = ring[np.arange(max(self._read, written - EVENTS), written) & (EVENTS - 1)].tolist()
        lost = int(live.state["events_written"]) - EVENTS - self._read
        if lost > 0:  # the ring went round; perhaps while it was being read
            live.keeper.lost += lost
            self._resume_reading()
            return
        self._read, self._heard_ns = written, now_ns
        live.keeper.events_read += len(events)
        self._tune()
        for event in events:
            frame, _, kind, string, _, extra, _ = event
            if kind == HANDOVER and (open_set := self._open_set(string)) is not None:
                sent = self._send_mutes(self._mutes.want(now_ns * 1e-9, open_set), now_ns)
                if sent and extra == BY_PLUCK:
                    self._count_wait(time.monotonic_ns() - frame_time_ns(live, frame))
            if self._bass_line is not None:
                self._send(self._bass_line.feed(event, playing=not self._forced), now_ns)

    def _tune(self) -> None:
        """Let the notes follow what the setting and the player say of the bass."""
        if self._bass_line is not None:
            live = self._live
            setting, params = self._orders.settings[self._setting], live.params[self._setting]
            self._bass_line.tune(setting.a4_hz, controls(live, self._orders).interval, params["typical_power"])

    def _count_wait(self, wait_ns: int) -> None:
        keeper = self._live.keeper
        keeper.wait_ns = wait_ns
        keeper.wait_worst_ns = max(int(keeper.wait_worst_ns), wait_ns)
        keeper.wait_bins[bin_of(wait_ns)] += 1

    def _look_at_ports(self, now_ns: int) -> None:
        if now_ns - self._port_looked_ns < PORT_LOOK_NS:
            return
        self._port_looked_ns = now_ns
        if self._out.look(now_ns):
            self._begun_ns = self._begun_ns or now_ns
            self._send_mutes(self._mutes.whole_state(now_ns * 1e-9), now_ns)
            if self._bass_line is not None:
                self._send(self._bass_line.begin(), now_ns)

    def _send_mutes(self, messages: Iterable[ControlChange], now_ns: int) -> int:
        sent = self._send([message.bytes() for message in messages], now_ns)
        if sent and self._out.present and (closed := self._mutes.closed) != self._closed:
            for string in self._closed - closed:
                self._live.keeper.reopened[string - 1] += 1
            self._closed = closed
        return sent

    def _send(self, messages: Sequence[Sequence[int]], now_ns: int) -> int:
        """Send messages, if there is a port; returns how many there were to send."""
        for message in messages:
            if self._out.send(message):
                self._alive.others(now_ns)
                self._wire.append((now_ns, len(message)))
                self._wire_bytes += len(message)
                self._live.keeper.sent += 1
        return len(messages)

    def _report(self, now_ns: int) -> None:
        """Tell the console what has changed."""
        while self._wire and now_ns - self._wire[0][0] > SECOND_NS:
            self._wire_bytes -= self._wire.popleft()[1]
        out, repeated = self._out, self._repeated + self._mutes.repeated
        report = (self._wire_bytes, repeated, self._mutes.closed, self._forced)
        report += (out.name or out.wanted, out.present, out.place, out.wanted, out.connections)
        if report == self._reported:
            return
        self._reported = report
        keeper = self._live.keeper
        keeper.wire_share = self._wire_bytes / WIRE_BYTES_S
        keeper.repeated = repeated
        for string in range(1, self._orders.strings + 1):
            keeper.closed[string - 1] = string in self._mutes.closed
        keeper.phase = PLAYING if not self._forced else READY
        keeper.forced = encoded(self._forced, 64)
        keeper.port, keeper.port_present = encoded(out.name or out.wanted, 256), out.present
        keeper.port_place = encoded(out.place, 256)
        keeper.port_own, keeper.connections = not out.wanted, encoded_names(out.connections, 2048)
