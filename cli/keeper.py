"""The keeper: the process that owns the MIDI ports, and sees to it that no string is ever left muted.

`python -m thumbline.cli.keeper MEMORY` with the file of the shared memory. Of several keepers of one memory the first
takes charge; the others stand by with everything loaded, and the moment it ends, however it ends, one of them takes
over, opens every string and says the whole state. Who is in charge sees to it that somebody stands by; who stands by
ends a keeper that hangs, as sending to a dead JACK server does.

Exit codes: 0 told to end or the console has ended, 2 a port that the rig names is not there, 1 a fault.
"""

import contextlib
import os
import signal
import subprocess
import sys
import time
import traceback
from pathlib import Path
from types import FrameType

from thumbline.cli.keeper_orders import Orders, read_orders
from thumbline.cli.keeper_round import Keeper
from thumbline.cli.live_memory import ENDED, FAULT, PLAYING, READY, STARTING, attach, encoded
from thumbline.cli.midi_ports import InputPort, OutputPort
from thumbline.cli.processes import Charge, Watched
from thumbline.dsp.errors import InputError
from thumbline.dsp.records import Record

#: Time between rounds, and between looks of one who stands by, in seconds.
ROUND_S, STAND_BY_S = 0.0005, 0.01
#: A keeper in charge whose heartbeat is older than this hangs, in nanoseconds.
HANGS_NS = 200_000_000
#: The same while it connects its ports.
START_HANGS_NS = 1_000_000_000
#: How long closing the ports may take, in seconds.
CLOSE_S = 0.3
#: How often it is seen to that somebody stands by, in seconds.
STANDBY_LOOK_S = 1.0


class _Told:
    """Whether a signal has said that this process is to end."""

    def __init__(self):
        self.to_end = False
        for name in ("SIGTERM", "SIGINT", "SIGHUP"):
            if (number := getattr(signal, name, None)) is not None:
                signal.signal(number, self._end)

    def _end(self, number: int, frame: FrameType | None) -> None:
        self.to_end = True


def keep(memory: Path) -> int:
    """Stand by until in charge, then keep until told to end; returns the exit code."""
    told = _Told()
    live = attach(memory)
    orders = read_orders(memory)
    charge = Charge(memory.with_name(memory.name + ".charge"))
    if charge.take():
        return _in_charge(live, orders, memory, told, _Ports(orders))
    next_in_line = Charge(memory.with_name(memory.name + ".standby"))
    console = Watched(int(live.console.pid))
    ports = None
    while not charge.take():
        if told.to_end or (console.ended and int(live.keeper.phase) == ENDED):
            return 0
        if next_in_line.take():
            _end_if_hanging(live)
            # A client of a MIDI system may take a quarter of a second to make; connecting it takes a millisecond. It is
            # not connected ahead: JACK mixes the buffers of two senders, and that of a dead one spoils the mixture.
            ports = ports or _Ports(orders)
        time.sleep(STAND_BY_S)
    next_in_line.give_back()
    if (live.request.stop or console.ended) and int(live.keeper.phase) == ENDED:
        return 0  # who was in charge has opened every string
    return _in_charge(live, orders, memory, told, ports or _Ports(orders))


class _Ports:
    """The keeper's ports, made but not yet opened."""

    def __init__(self, orders: Orders):
        self.out = OutputPort(orders.port)
        self.feet: InputPort | None = None
        self._foot_port = orders.foot_port if orders.feet or orders.foot_port else None

    def open(self, *, wait: bool) -> None:
        """Connect to the module; raises InputError as :meth:`OutputPort.open`."""
        self.out.open(wait=wait)

    def open_feet(self, *, wait: bool) -> None:
        """Connect to the foot controller, likewise; the module comes first."""
        if self._foot_port is not None:
            self.feet = InputPort(self._foot_port)
            self.feet.open(wait=wait)

    def close(self) -> None:
        """Leave the MIDI system in order, so that the next in line is let in at once; where that hangs, just leave."""
        if hasattr(signal, "setitimer"):
            signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process even while the interpreter is locked
            signal.setitimer(signal.ITIMER_REAL, CLOSE_S)
        self.out.close()
        if self.feet is not None:
            self.feet.close()


def _end_if_hanging(live: Record) -> None:
    keeper = live.keeper
    patience_ns = {READY: HANGS_NS, PLAYING: HANGS_NS, STARTING: START_HANGS_NS}.get(int(keeper.phase))
    pid = int(keeper.pid)
    if pid and patience_ns is not None and time.monotonic_ns() - int(keeper.beat_ns) > patience_ns:
        with contextlib.suppress(ProcessLookupError):
            os.kill(pid, getattr(signal, "SIGKILL", signal.SIGTERM))


def _in_charge(live: Record, orders: Orders, memory: Path, told: _Told, ports: _Ports) -> int:
    keeper = live.keeper
    # Who takes over waits for a port that has gone; the first one says so if it never was there.
    first = int(keeper.pid) == 0
    keeper.pid, keeper.beat_ns, keeper.fault, keeper.phase = os.getpid(), time.monotonic_ns(), b"", STARTING
    work, standby = Keeper(live, orders, ports.out), _Standby(memory)
    try:
        ports.open(wait=not first)
        work.begin()
        ports.open_feet(wait=not first)
        work.feet = ports.feet
    except InputError as error:
        keeper.fault, keeper.phase, keeper.pid = encoded(str(error), 512), FAULT, 0
        print(error, file=sys.stderr)
        return 2
    try:
        while not told.to_end and work.round():
            standby.see_to_it()
            time.sleep(ROUND_S)
    finally:
        work.end()
        keeper.phase = ENDED
    ports.close()
    return 0


class _Standby:
    """Sees to it that somebody stands by."""

    def __init__(self, memory: Path):
        self._memory = memory
        self._line = Charge(memory.with_name(memory.name + ".standby"))
        self._started: subprocess.Popen[bytes] | None = None
        self._look_at = 0.0

    def see_to_it(self) -> None:
        """Start one, unless there is one or it is on its way."""
        now = time.monotonic()
        if now < self._look_at or (self._started is not None and self._started.poll() is None):
            return
        self._look_at = now + STANDBY_LOOK_S
        if self._memory.exists() and self._line.take():
            self._line.give_back()
            self._started = subprocess.Popen(
                [sys.executable, "-m", "thumbline.cli.keeper", str(self._memory)],
                stdin=subprocess.DEVNULL,
                start_new_session=True,
            )


def main() -> None:
    """Run the keeper of the memory file that is named, and leave without tidying up what may hang."""
    code = 1
    try:
        code = keep(Path(sys.argv[1]))
    except InputError as error:
        print(error, file=sys.stderr)
        code = 2
    except BaseException:
        traceback.print_exc()
    finally:
        sys.stdout.flush()
        sys.stderr.flush()
        os._exit(code)


if __name__ == "__main__":
    main()
