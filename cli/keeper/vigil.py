"""What a keeper that stands by looks at: whether the one in charge lives, and whether anybody needs a keeper still."""

import time

from thumbline.cli.shared.live_memory import ENDED, FAULT, PLAYING, READY, STARTING, field_view
from thumbline.cli.shared.processes import STOPPED, ProcessHandle, kill, state_of
from thumbline.dsp.memory.record_type import Record

#: A keeper in charge that waits and whose heartbeat is older than this hangs, in nanoseconds.
HANGS_NS = 200_000_000
#: The same while it connects its port, and while it waits for a processor.
SLOW_NS = 1_000_000_000
#: One whose heartbeat is older than this may have been stopped, in nanoseconds: it beats every two milliseconds.
LATE_NS = 10_000_000


class Vigil:
    """What is known between looks.

    Parameters
    ----------
    live
        The shared record.
    """

    def __init__(self, live: Record):
        self._pid, self._phase = field_view(live, "keeper.pid"), field_view(live, "keeper.phase")
        self._beat_ns, self._stop = field_view(live, "keeper.beat_ns"), field_view(live, "request.stop")
        self._console, self._charged = ProcessHandle(int(live.console.pid)), ProcessHandle(0)

    def look(self) -> None:
        """Learn who is in charge, and end a keeper in charge that hangs or is stopped."""
        pid, phase = self._pid[0], self._phase[0]
        if pid != self._charged.pid:
            self._charged.close()
            self._charged = ProcessHandle(pid)
        silent_ns = time.monotonic_ns() - self._beat_ns[0]
        if not pid or phase not in (STARTING, READY, PLAYING) or silent_ns < LATE_NS:
            return
        state = state_of(pid)
        # A runnable process is only starved of processor time: it gets more patience.
        patience_ns = SLOW_NS if state == "R" or phase == STARTING else HANGS_NS
        if state == STOPPED or silent_ns > patience_ns:
            kill(pid)

    def wait(self, seconds: float) -> None:
        """Wait for the end of the one in charge, but no longer than that."""
        self._charged.wait(seconds)

    @property
    def charged_ended(self) -> bool:
        """Whether the one in charge at the last look has ended."""
        return self._charged.ended

    @property
    def all_is_over(self) -> bool:
        """Whether nobody needs a keeper any more: who was in charge has opened every string, or never began."""
        phase = self._phase[0]
        return phase == FAULT or (phase == ENDED and bool(self._stop[0] or self._console.ended))
