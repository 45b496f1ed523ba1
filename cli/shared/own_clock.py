"""Silence of others, told from a gap in one's own time: a computer that slept, a process that a signal stopped."""

import time


class OwnClock:
    """The clock of a process that looks at others at short intervals.

    When all processes have been stopped and go on, whoever looks first finds the others silent. So what they did not do
    while this process itself did nothing does not count: after a gap silence is counted from its end.

    Parameters
    ----------
    gap_s
        Two looks that lie further apart than this have a gap between them.
    """

    def __init__(self, gap_s: float):
        self._gap_ns = int(1e9 * gap_s)
        self._awake_ns = self._looked_ns = time.monotonic_ns()

    def look(self) -> int:
        """Return the time, in nanoseconds; to be called at each look."""
        now_ns = time.monotonic_ns()
        if now_ns - self._looked_ns > self._gap_ns:
            self._awake_ns = now_ns
        self._looked_ns = now_ns
        return now_ns

    def silent_ns(self, since_ns: int) -> int:
        """Return for how long somebody has been silent who was heard last at ``since_ns``, up to the last look."""
        return self._looked_ns - max(since_ns, self._awake_ns)
