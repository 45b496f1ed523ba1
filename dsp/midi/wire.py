"""How long mutes take on a MIDI cable.

A model of the wire of the MIDI 1.0 Detailed Specification 4.2.1 (MMA), sections "Hardware" and "Running
status" (page 5): 31,250 bits a second (within 1 %), ten bits a byte (start, eight data, stop), so 320 us a
byte. A status byte equal to the one before it may be left out. Messages wait for one another; nothing
overtakes.

What an interface or a sound module adds to the cable is not in these figures.

Times are seconds. A *delay* runs from the decision to the end of the last byte of the last message that
carries it out.
"""

from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import median

from thumbline.dsp.midi.mutes import ModuleLike, MuteDecision, encode
from thumbline.dsp.midi.numbers import BAUD, BITS_PER_BYTE

BYTE_S = BITS_PER_BYTE / BAUD

FIRST_SYSTEM_COMMON = 0xF0
FIRST_REAL_TIME = 0xF8


class Wire:
    """One MIDI cable, idle at first.

    Parameters
    ----------
    running_status
        Leave out a status byte that equals the one before it, as the standard allows. False
        models an interface that always sends whole messages.
    """

    def __init__(self, *, running_status: bool = True):
        self._running_status = running_status
        self._status: int | None = None
        self._free_s = float("-inf")

    def send(self, time_s: float, message: Sequence[int]) -> float:
        """Queues a whole message at ``time_s`` and returns when its last byte has arrived.

        ``message`` begins with its status byte, whether or not the wire carries that byte.
        """
        length = len(message) - self._leaves_status_out(message[0])
        self._free_s = max(time_s, self._free_s) + length * BYTE_S
        return self._free_s

    def _leaves_status_out(self, status: int) -> bool:
        if status >= FIRST_REAL_TIME:
            return False  # Real-time messages leave the running status as it was.
        repeated = self._running_status and status == self._status
        # System exclusive and system common messages end it.
        self._status = status if status < FIRST_SYSTEM_COMMON else None
        return repeated


def decision_delays(
    decisions: Iterable[MuteDecision], modules: Sequence[ModuleLike], *, running_status: bool = True
) -> list[float]:
    """The delay of each decision, with all the modules chained on one cable; zeros when there are no modules.

    Raises
    ------
    InputError
        As :func:`thumbline.dsp.midi.mutes.encode`.
    """
    wire = Wire(running_status=running_status)
    delays: list[float] = []
    for decision in decisions:
        arrived_s = decision.time_s
        for message in encode(decision, modules):
            arrived_s = wire.send(decision.time_s, message.bytes())
        delays.append(arrived_s - decision.time_s)
    return delays


@dataclass(frozen=True, slots=True)
class DelaySummary:
    """How many decisions there were, and the median and the longest of their delays (seconds)."""

    count: int
    median_s: float
    worst_s: float


def summarise(delays: Sequence[float]) -> DelaySummary | None:
    """Median and longest delay, or None when nothing was sent."""
    return DelaySummary(len(delays), median(delays), max(delays)) if delays else None
