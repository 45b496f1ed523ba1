"""The process that hears the foot controller and writes down what it asks for.

`python -m thumbline.cli.keeper.feet MEMORY`, started by the keeper in charge. It lives apart because a JACK server
takes its time to let go of a killed process that has two clients, and the keeper must be replaced at once.

A momentary switch ends with its port, and with this process: nobody will ever say that it has been let go.

Exit codes: 0 told to end, the console has ended, or somebody hears already; 2 a port that the rig names is not there
(``keeper.fault`` says so); 1 a fault.
"""

import math
import time
from collections.abc import Sequence
from pathlib import Path

from thumbline.cli.devices.midi_ports import InputPort
from thumbline.cli.keeper.orders import Orders, read_orders
from thumbline.cli.shared.live_memory import attach, encoded, encoded_names, names_in
from thumbline.cli.shared.processes import ProcessHandle, ProcessLock, run_and_exit
from thumbline.cli.signals import StopSignal
from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.midi.foot_controller import Controls, FootBoard

#: Time between looks, in seconds.
LOOK_S = 0.001


def hear(memory: Path) -> int:
    """Hear the foot controller until told to end; returns the exit code."""
    stop = StopSignal()
    live, orders = attach(memory), read_orders(memory)
    keeper = live.keeper
    charge = ProcessLock.of(memory, "feet")
    if not charge.take():
        return 0
    console = ProcessHandle(int(live.console.pid))
    keeper.feet_beat_ns = time.monotonic_ns()
    keeper.feet_pid = stop.pid
    port, feet = InputPort(orders.foot_port), Feet(live, orders)
    feet.let_go()  # what a process before this one left pressed
    connections = names_in(keeper.foot_connections)
    waits_until_ns = 0
    try:
        port.open(wait=bool(bytes(keeper.foot_port)), connections=connections)  # once there, it is waited for
    except InputError as error:
        keeper.fault = encoded(str(error), 512)
        if not live.setup.wait_s:
            return 2
        waits_until_ns = time.monotonic_ns() + int(1e9 * live.setup.wait_s)
        port.open(wait=True)
    while not (stop.came or live.request.stop or console.ended):
        now_ns = keeper.feet_beat_ns = time.monotonic_ns()
        was_there = port.present
        port.look(now_ns)
        if port.present:
            waits_until_ns = 0
        elif was_there:
            feet.let_go()
        if waits_until_ns and now_ns > waits_until_ns:
            return 2
        keeper.foot_port, keeper.foot_present = encoded(port.name or port.wanted, 256), port.present
        keeper.foot_own = not port.wanted
        keeper.foot_connections = encoded_names(port.connections, 2048)
        for message in port.receive():
            feet.answer(message)
        time.sleep(LOOK_S)
    port.close()
    return 0


class Feet:
    """Turns messages into requests.

    Parameters
    ----------
    live
        The shared record; ``request`` is written, and of ``keeper`` what is said of the feet.
    orders
        What the switches and pedals are for.
    """

    def __init__(self, live: Record, orders: Orders):
        self._live, self._orders = live, orders
        self._board = FootBoard(orders.feet, down=int(live.keeper.foot_down))

    def answer(self, message: Sequence[int]) -> None:
        """Do as one message asks."""
        keeper = self._live.keeper
        keeper.foot_last = [*message[:3], 0, 0][:3]
        keeper.foot_count += 1
        before = controls(self._live, self._orders)
        self._ask(before, self._board.feed(message, before))

    def let_go(self) -> None:
        """End what switches ask for only while they are pressed."""
        before = controls(self._live, self._orders)
        self._ask(before, self._board.let_go(before))

    def _ask(self, before: Controls, after: Controls) -> None:
        """Write what the foot has changed, and nothing else, for the console writes too."""
        keeper = self._live.keeper
        keeper.foot_down = self._board.down
        keeper.foot_pressed = int(keeper.foot_pressed) | self._board.down
        for name in Controls.__dataclass_fields__:
            if (value := getattr(after, name)) != getattr(before, name):
                self._live.request[name] = value


def controls(live: Record, orders: Orders) -> Controls:
    """Return what is asked for now."""
    request, setting = live.request, orders.settings[int(live.request.setting)]
    interval, ratio = float(request.interval), max(float(live.params[int(request.setting)]["ratio"]), 1e-9)
    return Controls(
        split=bool(request.split),
        hold=bool(request.hold),
        all_open=bool(request.all_open),
        tuner=bool(request.tuner),
        save=int(request.save),
        bass_level_db=float(request.bass_level_db),
        tone_hz=float(request.tone_hz) or setting.tone_hz,
        # A saved song has another interval than when the orders were written; 2^(n/12) gives n back to the last digit.
        interval=round(12.0 * math.log2(ratio), 9) if math.isnan(interval) else interval,
        setting=int(request.setting),
        settings=len(orders.settings),
    )


if __name__ == "__main__":
    run_and_exit(hear)
