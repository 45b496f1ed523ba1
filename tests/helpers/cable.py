"""Whole queues of messages on one MIDI cable."""

from collections.abc import Iterable, Sequence

from thumbline.dsp.midi.mutes import ModuleLike, MuteDecision
from thumbline.dsp.midi.wire import Wire, decision_delays


def arrivals(messages: Iterable[tuple[float, Sequence[int]]], *, running_status: bool = True) -> list[float]:
    """When the last byte of each ``(time_s, bytes)`` has arrived; messages come in the order of sending."""
    wire = Wire(running_status=running_status)
    return [wire.send(time_s, message) for time_s, message in messages]


def worst_case_s(strings: int, modules: Sequence[ModuleLike], *, running_status: bool = True) -> float:
    """The longest delay on an idle wire: that of the last string when all ``strings`` change at once."""
    every_string = [MuteDecision(0.0, string, open=False) for string in range(strings, 0, -1)]
    return max(decision_delays(every_string, modules, running_status=running_status), default=0.0)
