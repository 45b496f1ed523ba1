"""The keeper: the process that owns the MIDI ports, and sees to it that no string is ever left muted.

`python -m thumbline.cli.keeper MEMORY` with the file of the shared memory. Of several keepers of one memory the first
takes charge; the others stand by with everything loaded, and the moment it ends, however it ends, one of them takes
over, opens every string and says the whole state. Who is in charge sees to it that somebody stands by; who stands by
ends a keeper that hangs, as sending to a dead JACK server does.

Exit codes: 0 told to end or the console has ended, 2 a port that the rig names is not there, 1 a fault.
"""

import signal
import sys
import time
from pathlib import Path

from thumbline.cli.companion import Companion
from thumbline.cli.keeper_orders import Orders, read_orders
from thumbline.cli.keeper_round import Keeper
from thumbline.cli.live_memory import ENDED, FAULT, PLAYING, READY, STARTING, attach, encoded
from thumbline.cli.midi_ports import OutputPort, no_library
from thumbline.cli.processes import Charge, Watched, hurry, kill, leave_with, state_of
from thumbline.cli.signals import Told
from thumbline.dsp.errors import InputError
from thumbline.dsp.records import Record

#: Time between rounds, and between looks of one who stands by, in seconds.
ROUND_S, STAND_BY_S = 0.0005, 0.01
#: A keeper in charge that waits and whose heartbeat is older than this hangs, in nanoseconds.
HANGS_NS = 200_000_000
#: The same while it connects its port, while it waits for a processor, and for the process that hears the feet.
SLOW_NS = 1_000_000_000
#: What Linux says of a process that a signal has stopped (``processes.state_of``).
STOPPED = "T"
#: Real-time priority that is asked for: below the engine's.
PRIORITY = 50
#: How long closing the ports may take, in seconds.
CLOSE_S = 0.3


def keep(memory: Path) -> int:
    """Stand by until in charge, then keep until told to end; returns the exit code."""
    told = Told()
    live = attach(memory)
    orders = read_orders(memory)
    charge = Charge.of(memory, "charge")
    if charge.take():
        return _in_charge(live, orders, memory, told, OutputPort(orders.port))
    next_in_line = Charge.of(memory, "standby")
    console = Watched(int(live.console.pid))
    out = None
    while not charge.take():
        if told.to_end or (console.ended and int(live.keeper.phase) == ENDED):
            return 0
        if next_in_line.take():
            _end_if_hanging(live)
            # A client of a MIDI system may take a quarter of a second to make; connecting it takes a millisecond. It is
            # not connected ahead: JACK mixes the buffers of two senders, and that of a dead one spoils the mixture.
            out = out or OutputPort(orders.port)
        time.sleep(STAND_BY_S)
    next_in_line.give_back()
    if (live.request.stop or console.ended) and int(live.keeper.phase) == ENDED:
        return 0  # who was in charge has opened every string
    return _in_charge(live, orders, memory, told, out or OutputPort(orders.port))


def _end_if_hanging(live: Record) -> None:
    keeper, pid = live.keeper, int(live.keeper.pid)
    if not pid or int(keeper.phase) not in (STARTING, READY, PLAYING):
        return
    state = state_of(pid)
    # One that would run has not been given a processor; it is let live a little longer.
    patience_ns = SLOW_NS if state == "R" or int(keeper.phase) == STARTING else HANGS_NS
    if state == STOPPED or time.monotonic_ns() - int(keeper.beat_ns) > patience_ns:
        kill(pid)


def _in_charge(live: Record, orders: Orders, memory: Path, told: Told, out: OutputPort) -> int:
    keeper = live.keeper
    # Who takes over waits for a port that has gone; the first one says so if it never was there.
    first = int(keeper.pid) == 0
    keeper.pid, keeper.beat_ns, keeper.fault, keeper.phase = told.pid, time.monotonic_ns(), b"", STARTING
    work, standby, feet = Keeper(live, orders, out), Companion("keeper", "standby", memory), None
    if orders.feet or orders.foot_port:
        feet = Companion("feet", "feet", memory)
    try:
        out.open(wait=not first)
    except InputError as error:
        keeper.fault = encoded(str(error), 512)
        return _refused(live)
    keeper.fault = encoded(no_library(), 512)
    hurry(PRIORITY, children=False)
    work.begin()
    try:
        while not told.to_end and work.round():
            if int(live.engine.phase) != STARTING:  # it has the processors for itself until it plays
                standby.see_to_it()
            if feet is not None:
                _see_to(feet, live)
                if feet.code == 2:
                    break
            time.sleep(ROUND_S)
    finally:
        work.end()
        keeper.phase = ENDED
    if feet is not None and feet.code == 2:
        return _refused(live)
    _close(out)
    return 0


def _see_to(feet: Companion, live: Record) -> None:
    """See to it that the foot controller is heard, by a process that does not hang."""
    keeper = live.keeper
    if int(keeper.feet_pid) and time.monotonic_ns() - int(keeper.feet_beat_ns) > SLOW_NS:
        kill(int(keeper.feet_pid))
        keeper.feet_pid = 0
    feet.see_to_it()


def _refused(live: Record) -> int:
    """Leave because of a port that the rig names and that is not there; ``keeper.fault`` says which."""
    live.keeper.phase, live.keeper.pid = FAULT, 0
    print(bytes(live.keeper.fault).decode(), file=sys.stderr)
    return 2


def _close(out: OutputPort) -> None:
    """Leave the MIDI system in order, so that the next in line is let in at once; where that hangs, just leave."""
    if hasattr(signal, "setitimer"):
        signal.signal(signal.SIGALRM, signal.SIG_DFL)  # ends the process even while the interpreter is locked
        signal.setitimer(signal.ITIMER_REAL, CLOSE_S)
    out.close()


if __name__ == "__main__":
    leave_with(keep)
