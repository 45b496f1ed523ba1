"""Mutes on stage: which strings are closed, and how no string is ever left muted.

:class:`LiveMutes` turns "these strings are to be open" into control changes as
:class:`~thumbline.dsp.midi.mutes.MutePlan` decides them, and knows nothing of ports: each method returns what is to be
sent now. On top of the plan it keeps three
promises:

- a *whole state* is said several times over, as a message may be lost while a port is being opened;
- while anything forces the strings open, they are open, and what was wanted meanwhile holds again afterwards;
- each string's mute is said again now and then, one string at a time, so that a module which was switched off and on,
  or missed a message, is right again.

Times are seconds on any clock that only rises.
"""

import math
from collections.abc import Sequence
from collections.abc import Set as AbstractSet

from thumbline.dsp.midi.mutes import ControlChange, ModuleLike, MuteDecision, MuteOrder, MutePlan, encode

#: When a whole state is said again, in seconds after the first time (measured: of messages sent right after a port was
#: opened some were lost; with the first two repeats none was. The others are for a sound server without real-time
#: priority on a busy machine, which leaves out blocks and the messages in them).
AGAIN_S = (0.03, 0.08, 0.2, 0.5)


class LiveMutes:
    """The mutes of all modules.

    Parameters
    ----------
    strings, order, gap_s
        As for ``MutePlan``.
    modules
        The sound modules.
    resend_s
        Time in which every string is said again once; 0 for never.
    """

    def __init__(
        self,
        strings: int,
        modules: Sequence[ModuleLike],
        order: MuteOrder = "unmute first",
        gap_s: float = 0.0,
        resend_s: float = 0.0,
    ):
        self._every = frozenset(range(1, strings + 1))
        self._modules = tuple(modules)
        self._plan = MutePlan(strings, order, gap_s)
        self._wanted = self._every
        self._forced = False
        self._again_at: list[float] = []
        self._resend_step_s = resend_s / strings if resend_s > 0.0 else math.inf
        self._resend_at = -math.inf
        self._resend_next = strings
        self.repeated = 0  #: messages that said again what had been said

    @property
    def closed(self) -> frozenset[int]:
        """Strings that are muted after what has been sent."""
        return self._every - self._plan.open_strings

    @property
    def wanted(self) -> frozenset[int]:
        """Strings that are open if nothing forces the others open."""
        return self._wanted

    def want(self, now_s: float, open_set: AbstractSet[int]) -> list[ControlChange]:
        """From now on exactly ``open_set`` is to be open."""
        self._wanted = frozenset(open_set)
        return [] if self._forced else self._sent(self._plan.feed(now_s, self._wanted))

    def force_open(self, now_s: float) -> list[ControlChange]:
        """Open every string whatever is wanted, until :meth:`release`."""
        self._forced = True
        self._plan.finish(now_s)
        return self.whole_state(now_s)

    def release(self, now_s: float) -> list[ControlChange]:
        """Nothing forces the strings open any more: the wanted set holds."""
        self._forced = False
        return self._sent(self._plan.feed(now_s, self._wanted))

    def whole_state(self, now_s: float) -> list[ControlChange]:
        """Say how every string is, those that are open first, and soon again: to a module in an unknown state."""
        self._again_at = [now_s + after for after in AGAIN_S]
        return self._state()

    def due(self, now_s: float) -> list[ControlChange]:
        """Messages that have come due: openings whose gap has ended, and repetitions."""
        messages = self._sent(self._plan.due(now_s)) if self._plan.next_due_s is not None else []
        if self._again_at and self._again_at[0] <= now_s:
            del self._again_at[0]
            state = self._state()
            self.repeated += len(state)
            messages += state
        elif self._resend_at + self._resend_step_s <= now_s:
            self._resend_at = now_s
            state = self._say(self._resend_next)
            self._resend_next = self._resend_next - 1 or len(self._every)
            self.repeated += len(state)
            messages += state
        return messages

    def _state(self) -> list[ControlChange]:
        strings = sorted(self._every, key=lambda string: (string in self.closed, -string))
        return [message for string in strings for message in self._say(string)]

    def _say(self, string: int) -> list[ControlChange]:
        return encode(MuteDecision(0.0, string, string not in self.closed), self._modules)

    def _sent(self, decisions: list[MuteDecision]) -> list[ControlChange]:
        return [message for decision in decisions for message in encode(decision, self._modules)]
