"""The keeper's work: one round of looking at the shared memory, the foot controller and the port, and of sending.

A round never waits. What it sends goes out in the order: what forces the strings open, hand-overs as they were
decided, what has come due, what the feet asked for.
"""

import math
import time
from collections import deque
from collections.abc import Iterable, Sequence

import numpy as np

from thumbline.cli.keeper_orders import Orders
from thumbline.cli.live_memory import PLAYING, READY, bin_of, encoded, frame_time_ns
from thumbline.cli.midi_ports import InputPort, OutputPort
from thumbline.cli.processes import Watched
from thumbline.dsp.foot import Controls, FootBoard
from thumbline.dsp.live_bass_line import LiveBassLine
from thumbline.dsp.live_mutes import LiveMutes
from thumbline.dsp.mutes import ControlChange, open_set_of
from thumbline.dsp.records import BY_PLUCK, EVENTS, HANDOVER, Record

#: An engine that plays and has served no block for this long, and for so many blocks, has stopped.
ENGINE_SILENT_NS, ENGINE_SILENT_BLOCKS = 100_000_000, 3
#: A console whose heartbeat is older than this has stopped.
CONSOLE_SILENT_NS = 150_000_000
#: For so long after the beginning every string stays open, so that one of the repeats is heard however new the port is.
BEGIN_NS = 100_000_000
#: How often it is asked whether a process has ended, in nanoseconds.
ASK_NS = 10_000_000
#: What a MIDI cable carries: 31,250 bits a second, ten a byte (MIDI 1.0, "Hardware").
WIRE_BYTES_S = 3125
SECOND_NS = 1_000_000_000


class Keeper:
    """What is known between rounds.

    Args:
        live: the shared record.
        orders: what holds for each setting.
        out: where messages go.
        feet: where the foot controller is heard, or None.
    """

    def __init__(self, live: Record, orders: Orders, out: OutputPort, feet: InputPort | None):
        self._live, self._orders, self._out, self._feet = live, orders, out, feet
        self._board = FootBoard(orders.feet)
        self._bass_line = LiveBassLine(orders.bass_channel, orders.bend_range) if orders.bass_notes else None
        self._setting = -1
        self._mutes = LiveMutes(orders.strings, ())
        self._forced = ""
        self._console, self._engine = Watched(int(live.console.pid)), Watched(int(live.engine.pid))
        self._asked_ns = 0
        self._engine_started = 0
        self._begun_ns = 0
        self._read = 0
        self._wire: deque[tuple[int, int]] = deque()
        self._wire_bytes = 0

    def begin(self) -> None:
        """Say first of all that every string is open."""
        now_ns = self._begun_ns = time.monotonic_ns()
        self._use_setting(int(self._live.engine.setting), now_ns)
        self._force("the keeper has just begun", now_ns)
        if self._bass_line is not None:
            self._send(self._bass_line.begin(), now_ns)
        self._resume_reading()

    def round(self) -> bool:
        """Do what is to be done now; False once there is nothing left to do but :meth:`end`."""
        now_ns = time.monotonic_ns()
        live, keeper = self._live, self._live.keeper
        keeper.beat_ns = now_ns
        if now_ns - self._asked_ns > ASK_NS:
            self._ask()
            self._asked_ns = now_ns
        if live.request.stop or self._console.ended:
            return False
        if int(live.engine.setting) != self._setting:
            self._use_setting(int(live.engine.setting), now_ns)
        forced = self._what_forces_open(now_ns)
        if forced and not self._forced:
            self._force(forced, now_ns)
        self._hand_over(now_ns)
        if self._forced and not forced:
            self._forced = ""
            self._send_mutes(self._mutes.release(now_ns * 1e-9), now_ns)
        before = self._mutes.repeated
        self._send_mutes(self._mutes.due(now_ns * 1e-9), now_ns)
        keeper.repeated += self._mutes.repeated - before
        self._hear_feet()
        self._look_at_ports(now_ns)
        self._report(now_ns)
        return True

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
        live = self._live
        if int(live.console.pid) != self._console.pid:
            self._console.close()
            self._console = Watched(int(live.console.pid))
        if int(live.engine.pid) != self._engine.pid:
            self._engine.close()
            self._engine = Watched(int(live.engine.pid))

    def _what_forces_open(self, now_ns: int) -> str:
        """Why every string must be open now; "" if as they are wanted."""
        live = self._live
        request, engine = live.request, live.engine
        if now_ns - self._begun_ns < BEGIN_NS:
            return "the keeper has just begun"
        if request.all_open:
            return "all open is asked for"
        if not request.split:
            return "the split is off"
        if int(engine.phase) != PLAYING or self._engine.ended:
            return "the engine does not play"
        silent_ns = now_ns - int(engine.block_at_ns)
        block_ns = int(engine.block_frames) * SECOND_NS / max(float(engine.rate), 1.0)
        if silent_ns > max(ENGINE_SILENT_NS, ENGINE_SILENT_BLOCKS * block_ns):
            return "the engine has stopped"
        if int(live.console.pid) and now_ns - int(live.console.beat_ns) > CONSOLE_SILENT_NS:
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
        live = self._live
        written = int(live.state["events_written"])
        if int(live.engine.started_ns) != self._engine_started or written < self._read:
            self._resume_reading()
            return
        if written == self._read:
            return
        ring = live.state["events"]
        events = ring[np.arange(max(self._read, written - EVENTS), written) & (EVENTS - 1)].tolist()
        lost = int(live.state["events_written"]) - EVENTS - self._read
        if lost > 0:  # the ring went round; perhaps while it was being read
            live.keeper.lost += lost
            self._resume_reading()
            return
        self._read = written
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
            setting, params = self._orders.settings[self._setting], self._live.params[self._setting]
            self._bass_line.tune(setting.a4_hz, self._controls().interval, params["typical_power"])

    def _count_wait(self, wait_ns: int) -> None:
        keeper = self._live.keeper
        keeper.wait_ns = wait_ns
        keeper.wait_worst_ns = max(int(keeper.wait_worst_ns), wait_ns)
        keeper.wait_bins[bin_of(wait_ns)] += 1

    def _hear_feet(self) -> None:
        if self._feet is None:
            return
        for message in self._feet.receive():
            keeper = self._live.keeper
            keeper.foot_last = [*message[:3], 0, 0][:3]
            keeper.foot_count += 1
            before = self._controls()
            self._ask_for(before, self._board.feed(message, before))

    def _controls(self) -> Controls:
        live = self._live
        request, setting = live.request, self._orders.settings[int(live.request.setting)]
        interval = float(request.interval)
        return Controls(
            split=bool(request.split),
            hold=bool(request.hold),
            all_open=bool(request.all_open),
            bass_level_db=float(request.bass_level_db),
            tone_hz=float(request.tone_hz) or setting.tone_hz,
            interval=setting.interval if math.isnan(interval) else interval,
            setting=int(request.setting),
            settings=len(self._orders.settings),
        )

    def _ask_for(self, before: Controls, after: Controls) -> None:
        """Write what the foot has changed, and nothing else: the console writes too."""
        for name in Controls.__dataclass_fields__:
            if (value := getattr(after, name)) != getattr(before, name):
                self._live.request[name] = value

    def _look_at_ports(self, now_ns: int) -> None:
        if self._out.look(now_ns):
            self._send_mutes(self._mutes.whole_state(now_ns * 1e-9), now_ns)
            if self._bass_line is not None:
                self._send(self._bass_line.begin(), now_ns)
        if self._feet is not None:
            self._feet.look(now_ns)

    def _send_mutes(self, messages: Iterable[ControlChange], now_ns: int) -> int:
        return self._send([message.bytes() for message in messages], now_ns)

    def _send(self, messages: Sequence[Sequence[int]], now_ns: int) -> int:
        for message in messages:
            self._out.send(message)
            self._wire.append((now_ns, len(message)))
            self._wire_bytes += len(message)
        self._live.keeper.sent += len(messages)
        return len(messages)

    def _report(self, now_ns: int) -> None:
        keeper = self._live.keeper
        while self._wire and now_ns - self._wire[0][0] > SECOND_NS:
            self._wire_bytes -= self._wire.popleft()[1]
        keeper.wire_share = self._wire_bytes / WIRE_BYTES_S
        closed = self._mutes.closed
        for string in range(1, self._orders.strings + 1):
            keeper.closed[string - 1] = string in closed
        keeper.phase = PLAYING if not self._forced else READY
        keeper.port, keeper.port_present = encoded(self._out.name or self._out.wanted, 256), self._out.present
        if self._feet is not None:
            keeper.foot_port = encoded(self._feet.name or self._feet.wanted, 256)
            keeper.foot_present = self._feet.present
