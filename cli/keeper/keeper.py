"""The keeper: the process that owns the MIDI ports, and sees to it that no string is ever left muted.

`python -m thumbline.cli.keeper MEMORY` with the file of the shared memory. Of several keepers of one memory the
first takes charge; the others stand by with everything loaded and their MIDI client made, and the moment it ends,
however it ends, one of them takes over, opens every string and says the whole state. Who is in charge sees to it that
others stand by, and mutes nothing while none could take over; who stands by ends a keeper that hangs.

Exit codes: 0 told to end, the console has ended, or enough others stand by; 2 a port that the rig names is not there;
1 a fault.
"""

import signal
import sys
import time
from pathlib import Path

from thumbline.cli.devices.midi_ports import OutputPort, no_library
from thumbline.cli.keeper.companion import Companion
from thumbline.cli.keeper.line import Line, Place
from thumbline.cli.keeper.orders import Orders, read_orders
from thumbline.cli.keeper.rounds import Keeper
from thumbline.cli.keeper.vigil import Vigil
from thumbline.cli.shared.live_memory import ENDED, FAULT, STARTING, attach, encoded, field_view, names_in
from thumbline.cli.shared.processes import BELOW_SOUND, ProcessLock, kill, raise_priority
from thumbline.cli.shared.runs import run_on
from thumbline.cli.signals import StopSignal
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record

#: Time between rounds, and the same while no string has sounded for a while, in seconds.
ROUND_S, IDLE_ROUND_S = 0.0005, 0.003
#: Time between looks of the first who stands by, and of the others, in seconds; the end of who is in charge wakes them.
NEXT_S, BEHIND_S = 0.015, 0.04
#: Who is not first in line gives those before it this much time to take charge, in seconds.
AFTER_YOU_S = 0.012
#: The process that hears the feet hangs if its heartbeat is older than this, in nanoseconds.
FEET_HANG_NS = 1_000_000_000
#: Said where a port of our own cannot be handed on.
UNPROTECTED = (
    "nothing is muted through a MIDI port of Thumbline's own here, as nobody could take it over; "
    "name the sound module's port: --midi, or midi.port in the rig"
)
#: How long closing the ports may take, in seconds.
CLOSE_S = 0.8


def keep(memory: Path) -> int:
    """Stand by until in charge, then keep until told to end; returns the exit code."""
    stop = StopSignal()
    live = attach(memory)
    orders = read_orders(memory)
    raise_priority(BELOW_SOUND, children=False)
    charge, place = ProcessLock.of(memory, "charge"), Place(memory, live)
    if charge.take():
        return _in_charge(live, orders, memory, stop, OutputPort(orders.port, priority=BELOW_SOUND))
    if not place.take(stop.pid):
        return 0
    # Named apart from the one in charge, even if that has no port yet: not every server sees to that.
    out = OutputPort(orders.port, f"{OutputPort.CLIENT}-{stop.pid}", priority=BELOW_SOUND)
    vigil = Vigil(live)
    while not (_is_our_turn(place, vigil) and charge.take()):
        if stop.came or vigil.all_is_over:
            place.leave()
            _close(out)
            return 0
        place.take(stop.pid)
        if place.is_next:  # one alone: who takes part in a server's rounds and dies holds it up
            out.prepare()
        place.beat(warm=out.prepared)
        vigil.look()
        vigil.wait(NEXT_S if place.is_next else BEHIND_S)
    place.leave()
    if vigil.all_is_over:
        _close(out)
        return 0
    return _in_charge(live, orders, memory, stop, out)


def _is_our_turn(place: Place, vigil: Vigil) -> bool:
    """Whether to try to take charge: the first in line at once, the others if nobody has taken it a little later."""
    if not place.is_next and vigil.charged_ended:
        time.sleep(AFTER_YOU_S)
    return True


def _in_charge(live: Record, orders: Orders, memory: Path, stop: StopSignal, out: OutputPort) -> int:
    keeper = live.keeper
    # Who takes over waits for a port that has gone; the first one says so if it never was there.
    first = int(keeper.pid) == 0
    keeper.pid, keeper.beat_ns, keeper.fault, keeper.phase = stop.pid, time.monotonic_ns(), b"", STARTING
    line, feet = Line(memory, live), None
    work = Keeper(live, orders, out, line.is_warm)
    if orders.feet or orders.foot_port:
        feet = Companion("feet", "feet", memory)
    keeper.fault = encoded(no_library(), 512)
    waits_until_ns = 0
    try:
        out.open(wait=not first, connections=names_in(keeper.connections))
    except InputError as error:
        keeper.fault = encoded(str(error), 512)
        if not live.setup.wait_s:
            return _refused(live)
        waits_until_ns = time.monotonic_ns() + int(1e9 * live.setup.wait_s)
        out.open(wait=True)
    unknown = first  # whether another run may have the module already
    if unknown and out.present:
        unknown = False
        if _is_taken(out, live, memory):
            return _refused(live)
    work.begin()
    engine_phase, feet_pid, feet_beat_ns = (
        field_view(live, path) for path in ("engine.phase", "keeper.feet_pid", "keeper.feet_beat_ns")
    )
    code = 0
    try:
        while not stop.came and work.round():
            now_ns = time.monotonic_ns()
            if engine_phase[0] != STARTING:  # it has the processors for itself until it plays
                line.see_to_it(now_ns)
            if feet is not None:
                _see_to(feet, feet_pid, feet_beat_ns)
                if feet.code == 2:
                    code = 2
                    break
            if out.present and unknown:
                unknown = False
                if _is_taken(out, live, memory):
                    code = 2
                    break
            if out.present and not out.protected:
                keeper.fault = encoded(UNPROTECTED, 512)
            if waits_until_ns:
                waits_until_ns = 0 if out.present else waits_until_ns
                if waits_until_ns and now_ns > waits_until_ns:
                    code = 2
                    break
            time.sleep(IDLE_ROUND_S if work.is_idle(now_ns) else ROUND_S)
    finally:
        work.end()
        keeper.phase = ENDED
    if code:
        return _refused(live)
    _close(out)
    return 0


def _is_taken(out: OutputPort, live: Record, memory: Path) -> bool:
    """Whether another run of `thumbline live` sends to this module; ``keeper.fault`` then says so."""
    other = run_on(out.name, out.place, memory)
    if other:
        text = f"MIDI port {out.name!r} is used by another `thumbline live` (process {other}); accepted: one at a time"
        live.keeper.fault = encoded(text, 512)
    return bool(other)


def _see_to(feet: Companion, pid: memoryview, beat_ns: memoryview) -> None:
    """See to it that the foot controller is heard, by a process that does not hang; its number and heartbeat."""
    if pid[0] and time.monotonic_ns() - beat_ns[0] > FEET_HANG_NS:
        kill(pid[0])
        pid[0] = 0
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
