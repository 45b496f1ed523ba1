"""Starts the engine and the keeper, watches them, starts afresh what died or hangs, and ends them.

Keepers see to it themselves that a second one stands by and takes over within milliseconds; here it is only told, and
one is started where none is left.

A thread of its own does the watching and is the console's heartbeat, so that a terminal that takes no more output
(Ctrl-S, a slow line) is not taken for a dead console. What the processes print goes to files, never to the terminal.
"""

import os
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass

from thumbline.cli.console.child_processes import END_S, Backstage, Child
from thumbline.cli.console.notices import ENGINE_DIED, ENGINE_HANGS, KEEPER_DIED, KEEPER_HANGS, Notice
from thumbline.cli.shared.own_clock import OwnClock
from thumbline.cli.shared.processes import ProcessHandle, kill
from thumbline.dsp.live.record import ENDED, FAULT, PLAYING, READY
from thumbline.dsp.memory.record_type import Record

#: Time between looks, in seconds.
LOOK_S = 0.02
#: An engine whose last block is older than this hangs; a keeper whose beat is older than the first does not answer, and
#: is ended after the second (whoever stands by has done so before), in seconds.
ENGINE_SILENT_S, KEEPER_SILENT_S, KEEPER_HANGS_S = 0.5, 0.3, 0.6
#: What is starting may take this long (the first start compiles), in seconds.
START_S = 180.0
#: Looks that are further apart mean that this process itself was stopped, in seconds.
GAP_S = 0.2
#: An engine that stands by is started when the sound has passed for so long, and again so long after it was started and
#: died of itself; once told to begin one that is warm must have begun after the last of these times, in seconds.
SPARE_AFTER_S, SPARE_RETRY_S, TAKE_OVER_S = 1.0, 10.0, 0.5
#: Between attempts to open an interface or a port that has gone, in seconds.
RETRY_S = 1.0


@dataclass(frozen=True)
class Outcome:
    """How it ended: the exit code, and a line if it is not 0."""

    code: int
    text: str = ""


class Supervision:
    """Both processes and the thread that watches them.

    Args:
        backstage: the processes; the engine may have been started.
        live: the record in their memory.
        tell: is called, from the watching thread, with what the player should know.
        patience_s: for how long what has gone is waited for before all ends with a fault.
        wait_s: for how long an interface that is not there at the start is waited for.
    """

    def __init__(
        self,
        backstage: Backstage,
        live: Record,
        tell: Callable[[Notice], None],
        patience_s: float,
        wait_s: float = 0.0,
    ):
        self._live = live
        self._tell = tell
        self._patience_ns, self._waits = int(patience_s * 1e9), wait_s > 0.0
        self._engine, self._spare, self._keeper = backstage.engine, backstage.spare, backstage.keeper
        self._charged = ProcessHandle(0)  # the keeper in charge
        self._lost_ns = {"engine": 0, "keeper": 0}
        self._lost_why: dict[str, Notice] = {}
        self._played = self._taking_over = False
        self._ending = threading.Event()
        self._clock = OwnClock(GAP_S)
        self._thread = threading.Thread(target=self._watch, name="supervision", daemon=True)
        self.outcome: Outcome | None = None  #: set when there is nothing left to watch

    def start(self) -> None:
        """Start what has not been started, and the watch. Returns at once."""
        self._live.console.pid = os.getpid()
        self._beat()
        self._keeper.start()
        if self._engine.process is None:
            self._engine.start()
        self._thread.start()

    def stop(self) -> None:
        """End all processes, the politest way that works, and wait for them."""
        self._live.request.stop = 1
        self._ending.set()
        if self._thread.is_alive():
            self._thread.join()
        deadline = time.monotonic() + END_S
        while time.monotonic() < deadline and not (self._engine_has_ended() and self._keeper_has_ended()):
            self._beat()
            time.sleep(LOOK_S)
        self._engine.kill()
        self._spare.kill()
        self._kill_charged()
        self._keeper.kill()
        # A process that a signal has stopped ends no other way.
        for pid in (int(self._live.keeper.feet_pid), *map(int, self._live.keeper.standby_pid)):
            _kill(ProcessHandle(pid))

    def _engine_has_ended(self) -> bool:
        return self._engine.process is None or self._engine.code is not None

    def _keeper_has_ended(self) -> bool:
        if int(self._live.keeper.pid) != self._charged.pid:
            self._charged.close()
            self._charged = ProcessHandle(int(self._live.keeper.pid))
        ended = self._charged.ended if self._charged.pid else True
        return ended and (self._keeper.process is None or self._keeper.code is not None)

    def _kill_charged(self) -> None:
        _kill(self._charged)

    def _beat(self) -> None:
        self._live.console.beat_ns = time.monotonic_ns()

    def _watch(self) -> None:
        while not self._ending.wait(LOOK_S):
            self._beat()
            self._clock.look()
            if self.outcome is None:
                self._look_at_keeper()
                self._look_at_engine()

    def _look_at_engine(self) -> None:
        engine, child = self._live.engine, self._engine
        now = time.monotonic_ns()
        phase = int(engine.phase)
        if child.code is not None:
            if self._take_is_over():
                self.outcome = Outcome(0)
                return
            fault = _text(engine.fault) if phase == FAULT else ""
            if not self._played:
                why = fault or child.last_words() or "the engine did not start"
                if self._waits and not self._patience_is_over("engine"):
                    self._lose("engine", Notice("interface", why, _text(engine.advice)))
                    self._start_again("engine", child)
                else:
                    self.outcome = Outcome(2 if child.code == 2 else 1, _with_advice(why, _text(engine.advice)))
                return
            self._lose("engine", Notice("interface", fault, _text(engine.advice)) if fault else ENGINE_DIED)
            self._replace_engine()
        elif phase == PLAYING and int(engine.pid) == child.pid:
            silent = self._clock.silent_ns(int(engine.block_at_ns))
            if engine.block_at_ns and silent > max(ENGINE_SILENT_S * 1e9, 10e9 * engine.block_frames / engine.rate):
                child.kill()
                self._lose("engine", ENGINE_HANGS)
                self._replace_engine()
            elif engine.block_at_ns:
                if self._lost_ns["engine"] and int(engine.first_block_ns) > child.started_ns:
                    self._lost_ns["engine"] = 0
                    self._tell(Notice("engine", "The sound is back", fault=False))
                self._played = True
                self._see_to_spare(now)
        elif self._taking_over and int(engine.pid) != child.pid and now - child.started_ns > TAKE_OVER_S * 1e9:
            child.kill()  # a new one is started at the next look
        elif self._stays_stopped(child):
            child.kill()
        elif self._patience_is_over("engine") or now - child.started_ns > START_S * 1e9:
            child.kill()  # opening a device of a sound server that hangs never ends

    def _replace_engine(self) -> None:
        """Let the engine begin that stands by, or is about to; start one where none does."""
        spare = self._spare
        if not spare.stands_by or spare.is_stopped:
            self._taking_over = False
            self._start_again("engine", self._engine)
            return
        self._engine, self._spare = spare, self._engine
        self._taking_over = spare.is_warm
        self._engine.go()

    def _see_to_spare(self, now_ns: int) -> None:
        """Have an engine stand by while the other plays; one that a signal has stopped is none."""
        spare = self._spare
        if spare.stands_by:
            if self._stays_stopped(spare):
                spare.kill()
            return
        died = spare.was_to_stand_by and now_ns - spare.started_ns < SPARE_RETRY_S * 1e9
        if not died and now_ns - int(self._live.engine.first_block_ns) > SPARE_AFTER_S * 1e9:
            spare.start(stand_by=True)

    def _stays_stopped(self, child: Child) -> bool:
        """Whether a signal has stopped a process, and not this one with it."""
        return child.is_stopped and self._clock.silent_ns(0) > GAP_S * 1e9

    def _take_is_over(self) -> bool:
        engine = self._live.engine
        length, begun = int(engine.take_frames), int(engine.take_from)
        return int(engine.phase) == ENDED and length > 0 and begun >= 0 and int(engine.frames) - begun >= length

    def _look_at_keeper(self) -> None:
        keeper, child = self._live.keeper, self._keeper
        phase, pid = int(keeper.phase), int(keeper.pid)
        if child.code == 2:  # only the first one says so: who takes over waits
            self.outcome = Outcome(2, _text(keeper.fault) or child.last_words())
            return
        if pid != self._charged.pid:
            if self._charged.pid:
                self._lose("keeper", KEEPER_DIED)
            self._charged.close()
            self._charged = ProcessHandle(pid)
        silent_s = 1e-9 * self._clock.silent_ns(int(keeper.beat_ns))
        if pid and phase in (READY, PLAYING) and silent_s < KEEPER_SILENT_S:
            if self._lost_ns["keeper"] and int(keeper.beat_ns) > self._lost_ns["keeper"]:
                self._lost_ns["keeper"] = 0
                self._tell(Notice("keeper", "The MIDI sender is back", fault=False))
        elif pid and self._charged.ended:
            self._lose("keeper", KEEPER_DIED)
            if silent_s > KEEPER_HANGS_S:  # nobody stood by
                self._start_again("keeper", child)
        elif pid and phase in (READY, PLAYING):
            self._lose("keeper", KEEPER_HANGS)
            if silent_s > KEEPER_HANGS_S:
                self._kill_charged()
        elif not pid and child.code is not None:
            self._lose("keeper", Notice("keeper", fault) if (fault := _text(keeper.fault)) else KEEPER_DIED)
            self._start_again("keeper", child)

    def _lose(self, name: str, why: Notice) -> None:
        """Tell of a loss once, and remember since when."""
        if not self._lost_ns[name]:
            self._lost_ns[name] = time.monotonic_ns()
            self._lost_why[name] = why
            self._tell(why)

    def _start_again(self, name: str, child: Child) -> None:
        """Start a process afresh, at once the first time, then once in a while until patience ends."""
        now = time.monotonic_ns()
        if now < child.retry_ns:
            return
        if self._patience_is_over(name):
            self.outcome = Outcome(
                1, f"{str(self._lost_why[name]).rstrip('.')}; gave up after {self._patience_ns / 1e9:.0f} s"
            )
            return
        child.retry_ns = now + int(RETRY_S * 1e9)
        child.start()

    def _patience_is_over(self, name: str) -> bool:
        lost_ns = self._lost_ns[name]
        return bool(lost_ns) and time.monotonic_ns() - lost_ns > self._patience_ns


def _kill(process: ProcessHandle) -> None:
    if not process.ended:
        kill(process.pid)


def _text(field: bytes) -> str:
    return bytes(field).decode(errors="replace")


def _with_advice(text: str, advice: str) -> str:
    return f"{text}; {advice}" if advice else text
