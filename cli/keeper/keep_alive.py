"""A sign of life for the sound module, so that one which knows it opens by itself when the computer or the cable goes.

Source: MIDI 1.0 Detailed Specification 4.2.1 (MMA), Active Sensing (from memory): FEh is sent when nothing else has
been for 300 ms at most; a receiver that has had one and then hears nothing for 300 ms (plus a tolerance) turns off its
voices and goes back to normal operation. What that means for mutes is the module's own affair: try it.
"""

from collections.abc import Sequence

ACTIVE_SENSING = (0xFE,)
#: Time between signs of life: a third of what is allowed, so that a keeper may die and its successor still be in time.
EVERY_NS = 100_000_000


class KeepAlive:
    """When a sign of life is due; ``message`` is empty for none.

    Active sensing stands back while other messages go out, as any of them says the same; a chosen message does not.
    """

    def __init__(self, message: Sequence[int]) -> None:
        self._message = tuple(message)
        self._said_ns: float = -EVERY_NS

    def others(self, now_ns: int) -> None:
        """Another message has gone out."""
        if self._message == ACTIVE_SENSING and self._said_ns >= 0:
            self._said_ns = now_ns

    def due(self, now_ns: int) -> list[tuple[int, ...]]:
        """Return what is to be sent now."""
        if not self._message or now_ns - self._said_ns < EVERY_NS:
            return []
        self._said_ns = now_ns
        return [self._message]
