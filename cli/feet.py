"""The process that hears the foot controller and writes down what it asks for.

`python -m thumbline.cli.feet MEMORY`, started by the keeper in charge. It lives apart because a JACK server takes its
time to let go of a killed process that has two clients, and the keeper must be replaced at once.

Exit codes: 0 told to end, the console has ended, or somebody hears already; 2 a port that the rig names is not there
(``keeper.fault`` says so); 3 the port has been away for so long that a fresh client shall look for it; 1 a fault.
"""

import math
import time
from collections.abc import Sequence
from pathlib import Path

from thumbline.cli.keeper_orders import Orders, read_orders
from thumbline.cli.live_memory import attach, encoded
from thumbline.cli.midi_ports import InputPort
from thumbline.cli.processes import Charge, Watched, leave_with
from thumbline.cli.signals import Told
from thumbline.dsp.errors import InputError
from thumbline.dsp.foot import Controls, FootBoard
from thumbline.dsp.records import Record

#: Time between looks, in seconds.
LOOK_S = 0.001
#: A port that has been away for so long is looked for by a fresh client (the system may be another), in nanoseconds.
AWAY_NS = 10_000_000_000


def hear(memory: Path) -> int:
    """Hear the foot controller until told to end; returns the exit code."""
    told = Told()
    live, orders = attach(memory), read_orders(memory)
    keeper = live.keeper
    charge = Charge.of(memory, "feet")
    if not charge.take():
        return 0
    console = Watched(int(live.console.pid))
    keeper.feet_beat_ns = time.monotonic_ns()
    keeper.feet_pid = told.pid
    port, feet = InputPort(orders.foot_port), Feet(live, orders)
    try:
        port.open(wait=bool(bytes(keeper.foot_port)))  # once it has been there, it is waited for
    except InputError as error:
        keeper.fault = encoded(str(error), 512)
        return 2
    there_ns = time.monotonic_ns()
    while not (told.to_end or live.request.stop or console.ended):
        now_ns = keeper.feet_beat_ns = time.monotonic_ns()
        port.look(now_ns)
        keeper.foot_port, keeper.foot_present = encoded(port.name or port.wanted, 256), port.present
        there_ns = now_ns if port.present else there_ns
        if port.wanted and now_ns - there_ns > AWAY_NS:
            return 3
        for message in port.receive():
            feet.answer(message)
        time.sleep(LOOK_S)
    return 0


class Feet:
    """Turns messages into requests.

    Args:
        live: the shared record; ``request`` is written, and of ``keeper`` what is said of the feet.
        orders: what the switches and pedals are for.
    """

    def __init__(self, live: Record, orders: Orders):
        self._live, self._orders = live, orders
        self._board = FootBoard(orders.feet)

    def answer(self, message: Sequence[int]) -> None:
        """Do as one message asks: write what the foot has changed, and nothing else, for the console writes too."""
        keeper, request = self._live.keeper, self._live.request
        keeper.foot_last = [*message[:3], 0, 0][:3]
        keeper.foot_count += 1
        before = controls(self._live, self._orders)
        after = self._board.feed(message, before)
        for name in Controls.__dataclass_fields__:
            if (value := getattr(after, name)) != getattr(before, name):
                request[name] = value


def controls(live: Record, orders: Orders) -> Controls:
    """Return what is asked for now."""
    request, setting = live.request, orders.settings[int(live.request.setting)]
    interval = float(request.interval)
    return Controls(
        split=bool(request.split),
        hold=bool(request.hold),
        all_open=bool(request.all_open),
        bass_level_db=float(request.bass_level_db),
        tone_hz=float(request.tone_hz) or setting.tone_hz,
        interval=setting.interval if math.isnan(interval) else interval,
        setting=int(request.setting),
        settings=len(orders.settings),
    )


if __name__ == "__main__":
    leave_with(hear)
