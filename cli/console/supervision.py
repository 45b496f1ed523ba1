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

from thumbline.cli.console.child import END_S, Child
from thumbline.cli.console.child_processes import Backstage
from thumbline.cli.console.notices import ENGINE_DIED, ENGINE_HANGS, KEEPER_DIED, KEEPER_HANGS, Notice
from thumbline.cli.console.spare import SplitOff
from thumbline.cli.shared.own_clock import OwnClock
from thumbline.cli.shared.processes import ProcessHandle, kill
from thumbline.dsp.live.record import ENDED, FAULT, PLAYING, READY
from thumbline.dsp.memory.record_type import Record

#: Time between looks, in seconds.
LOOK_S = 0.02
#: An engine whose last block is older than this hangs, or it would have left by itself, in seconds.
ENGINE_SILENT_S = 1.6
#: A keeper whose beat is older than this does not answer, in seconds ...
KEEPER_SILENT_S = 0.3
#: ... and one whose beat is older than this is ended (whoever stands by has done so before).
KEEPER_HANGS_S = 0.6
#: What is starting may take this long (the first start compiles), in seconds.
START_S = 180.0
#: Looks that are further apart mean that this process itself was stopped, in seconds.
GAP_S = 0.2
#: An engine that stands by is started once the sound has passed for this long, in seconds ...
SPARE_AFTER_S = 1.0
#: ... and, if it has died of itself, again this long after its start.
SPARE_RETRY_S = 10.0
#: An engine that is to split off a warm one must have begun within this time, in seconds.
TAKE_OVER_S = 0.5
#: Between attempts to open an interface or a port that has gone, in seconds.
RETRY_S = {"engine": 0.5, "keeper": 1.0}


@dataclass(frozen=True)
class Outcome:
    """How it ended: the exit code, and a line if it is not 0."""

    code: int
    text: str = ""


class Supervision:
    """Both processes and the thread that watches them.

    Parameters
    ----------
    backstage
        The processes; the engine may have been started.
    live
        The record in their memory.
    tell
        Is called, from the watching thread, with what the player should know.
    patience_s
        For how long what has gone is waited for before all ends with a fault.
    wait_s
        For how long an interface that is not there at the start is waited for.
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
        self._first = backstage.engine
        self._engine: Child | SplitOff = self._first
        self._spare, self._keeper = backstage.spare, backstage.keeper
        self._charged = ProcessHandle(0)  # the keeper in charge
        self._lost_ns = {"engine": 0, "keeper": 0}
        self._retry_ns = {"engine": 0, "keeper": 0}
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
        if self._first.process is None:
            self._first.start()
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
                    self._replace_engine()
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
            child.kill()  # another one begins at the next look
        elif self._stays_stopped(child):
            child.kill()
        elif self._patience_is_over("engine") or now - child.started_ns > START_S * 1e9:
            child.kill()  # opening a device of a sound server that hangs never ends

    def _replace_engine(self) -> None:
        """Have an engine split off the one that stands by; where none does, one is started first."""
        if not self._may_try_again("engine"):
            return
        if not self._spare.stands_by or self._spare.is_stopped:
            self._spare.start()
        self._taking_over = self._spare.is_warm
        self._engine = self._spare.go()

    def _see_to_spare(self, now_ns: int) -> None:
        """Have an engine stand by while another plays; one that a signal has stopped is none."""
        spare = self._spare
        if spare.stands_by:
            if self._stays_stopped(spare):
                spare.kill()
            return
        died = spare.process is not None and now_ns - spare.started_ns < SPARE_RETRY_S * 1e9
        if not died and now_ns - int(self._live.engine.first_block_ns) > SPARE_AFTER_S * 1e9:
            spare.start()

    def _stays_stopped(self, child: Child | SplitOff) -> bool:
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
                self._start_keeper_again()
        elif pid and phase in (READY, PLAYING):
            self._lose("keeper", KEEPER_HANGS)
            if silent_s > KEEPER_HANGS_S:
                self._kill_charged()
        elif not pid and child.code is not None:
            self._lose("keeper", Notice("keeper", fault) if (fault := _text(keeper.fault)) else KEEPER_DIED)
            self._start_keeper_again()

    def _lose(self, name: str, why: Notice) -> None:
        """Tell of a loss once, and remember since when."""
        if not self._lost_ns[name]:
            self._lost_ns[name] = time.monotonic_ns()
            self._lost_why[name] = why
            self._tell(why)

    def _start_keeper_again(self) -> None:
        if self._may_try_again("keeper"):
            self._keeper.start()

    def _may_try_again(self, name: str) -> bool:
        """Whether to try at this look: at once the first time, then once in a while until patience ends."""
        now = time.monotonic_ns()
        if now < self._retry_ns[name]:
            return False
        if self._patience_is_over(name):
            self.outcome = Outcome(
                1, f"{str(self._lost_why[name]).rstrip('.')}; gave up after {self._patience_ns / 1e9:.0f} s"
            )
            return False
        self._retry_ns[name] = now + int(RETRY_S[name] * 1e9)
        return True

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
