"""From the bass string to mutes, and from mutes to control changes.

*Decide*: a :class:`MutePlan` turns "at this time these strings are to be open" into decisions about single
strings. It knows nothing of MIDI, keeps its state between calls, and is the same object live and in a render.
*Encode*: :func:`encode` turns one decision into control changes, one for each sound module. It knows nothing
of ports.

Conventions: times are seconds from the first frame; string 1 is the highest. A string is *open* when its
sound passes and *closed* when it is muted. Before the first decision every string is open: that is how a
sound module wakes up (common practice, no source), and the state that a plan leaves behind when it finishes.
"""

import math
from collections.abc import Iterable, Sequence
from collections.abc import Set as AbstractSet
from dataclasses import dataclass
from typing import Literal, NamedTuple, Protocol, get_args

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.numbers import CONTROL_CHANGE, LAST_CONTROLLER

MuteOrder = Literal["unmute first", "mute first", "gap"]


class MuteDecision(NamedTuple):
    """At ``time_s`` (seconds), ``string`` (1 = highest) opens, or closes."""

    time_s: float
    string: int
    open: bool


class MutePlan:
    """Decides which string opens or closes when, from the set of strings that are to be open.

    Only changes are decided: a string that is open is never opened again. Decisions come in order of time,
    and within one moment in the order in which they are to be sent.

    ``order`` says what a hand-over does first:

    - ``"unmute first"``: the new bass string opens, then the old one closes. The bass is never silent between
      them.
    - ``"mute first"``: the old one closes, then the new one opens. The two never sound together.
    - ``"gap"``: as "mute first", but a string opens no sooner than ``gap_s`` after any *other* string has
      closed. An opening that has not come due when the next hand-over arrives is dropped unless that
      hand-over still wants it, and then it keeps the time it was due. A string that comes back within its own
      gap opens at once.

    Strings that change in one moment do so from the lowest up.

    Parameters
    ----------
    strings
        How many there are, 1 or more.
    order
        See above.
    gap_s
        0 or more, seconds; used by ``order="gap"`` alone.

    Raises
    ------
    InputError
        When an argument is out of range.
    """

    def __init__(self, strings: int, order: MuteOrder = "unmute first", gap_s: float = 0.0):
        if strings < 1:
            raise InputError(f"strings is {strings}; 1 or more are accepted")
        if order not in get_args(MuteOrder):
            raise InputError(f"mute order is {order!r}; accepted: {', '.join(get_args(MuteOrder))}")
        if not 0.0 <= gap_s < math.inf:
            raise InputError(f"mute gap is {gap_s} s; 0 or more is accepted")
        self._strings = frozenset(range(1, strings + 1))
        self._order: MuteOrder = order
        self._gap_s = gap_s if order == "gap" else 0.0
        self._open = set(self._strings)
        self._closed_at = dict.fromkeys(self._strings, -math.inf)
        self._pending: dict[int, float] = {}
        self._last_s = -math.inf

    @property
    def open_strings(self) -> frozenset[int]:
        """The strings that are open after the decisions made so far."""
        return frozenset(self._open)

    @property
    def next_due_s(self) -> float | None:
        """When :meth:`due` will next have something to decide, or None while nothing waits for its gap."""
        return min(self._pending.values(), default=None)

    def feed(self, time_s: float, open_set: AbstractSet[int]) -> list[MuteDecision]:
        """From ``time_s`` on, exactly ``open_set`` is to be open; returns the decisions up to then.

        A time before the last decision counts as the time of that decision: what has been sent cannot be
        overtaken.

        Raises
        ------
        InputError
            When ``open_set`` names a string that does not exist or ``time_s`` is not a number.
        """
        if not math.isfinite(time_s):
            raise InputError(f"time of a mute is {time_s} s; a finite number is accepted")
        if unknown := sorted(open_set - self._strings):
            raise InputError(f"string {unknown[0]} cannot be muted; 1 to {len(self._strings)} are accepted")
        # Openings that fall due at this very moment are decided below, by the set that is wanted now.
        decisions = self.due(math.nextafter(time_s, -math.inf))
        now_s = max(time_s, self._last_s)
        opening = open_set - self._open
        closing = self._open - open_set
        if self._order == "unmute first":
            return decisions + self._set(opening, now_s, to_open=True) + self._set(closing, now_s, to_open=False)
        decisions += self._set(closing, now_s, to_open=False)
        self._pending = {string: max(now_s, self._gap_end_s(string)) for string in opening}
        return decisions + self.due(now_s)

    def due(self, now_s: float) -> list[MuteDecision]:
        """The openings whose gap has ended by ``now_s``, each at the time at which it was due."""
        ready = [(string, due_s) for string, due_s in self._pending.items() if due_s <= now_s]
        decisions: list[MuteDecision] = []
        for string, due_s in sorted(ready, key=lambda opening: (opening[1], -opening[0])):
            del self._pending[string]
            decisions += self._set({string}, due_s, to_open=True)
        return decisions

    def finish(self, time_s: float) -> list[MuteDecision]:
        """Opens every string that is closed at ``time_s``, without waiting for a gap.

        The plan may be fed again; when the clock starts anew, so must the plan.
        """
        decisions = self.due(math.nextafter(time_s, -math.inf))
        self._pending.clear()
        return decisions + self._set(self._strings - self._open, max(time_s, self._last_s), to_open=True)

    def _gap_end_s(self, string: int) -> float:
        others = (time_s for other, time_s in self._closed_at.items() if other != string)
        return max(others, default=-math.inf) + self._gap_s

    def _set(self, strings: AbstractSet[int], time_s: float, *, to_open: bool) -> list[MuteDecision]:
        if not strings:
            return []
        self._last_s = time_s
        if to_open:
            self._open |= strings
        else:
            self._open -= strings
            self._closed_at.update(dict.fromkeys(strings, time_s))
        return [MuteDecision(time_s, string, to_open) for string in sorted(strings, reverse=True)]


def open_set_of(string: int, strings: int, silence: str) -> frozenset[int] | None:
    """The strings that are to be open once the bass has passed to ``string`` (0: to none), or None: as they are.

    ``silence`` says what happens where no string has the bass: "keep", "unmute all" or "mute all".
    """
    if string:
        return frozenset((string,))
    if silence == "keep":
        return None
    return frozenset(range(1, strings + 1)) if silence == "unmute all" else frozenset()


def plan_mutes(
    changes: Iterable[tuple[float, AbstractSet[int]]],
    end_s: float,
    *,
    strings: int,
    order: MuteOrder = "unmute first",
    gap_s: float = 0.0,
) -> list[MuteDecision]:
    """All decisions of a take, from ``(time_s, open_set)`` for each change; at ``end_s`` every string opens.

    Raises
    ------
    InputError
        As :class:`MutePlan`.
    """
    plan = MutePlan(strings, order, gap_s)
    decisions = [decision for time_s, open_set in changes for decision in plan.feed(time_s, open_set)]
    return decisions + plan.finish(end_s)


class ModuleLike(Protocol):
    """The control changes that mute strings: one controller of one channel per string."""

    @property
    def name(self) -> str:
        """What the musician calls it."""
        ...

    @property
    def channel(self) -> int:
        """1 to 16."""
        ...

    @property
    def controllers(self) -> Sequence[int]:
        """Controller numbers, 0 to 119, of string 1, 2, ..."""
        ...

    @property
    def unmuted_value(self) -> int:
        """Value, 0 to 127, that lets a string sound."""
        ...

    @property
    def muted_value(self) -> int:
        """Value, 0 to 127, that mutes a string."""
        ...


@dataclass(frozen=True, slots=True)
class ControlChange:
    """A control change message: ``channel`` 1 to 16, ``controller`` 0 to 119, ``value`` 0 to 127.

    Raises
    ------
    InputError
        When one of the three is out of range.
    """

    channel: int
    controller: int
    value: int

    def __post_init__(self):
        if not 1 <= self.channel <= 16:
            raise InputError(f"MIDI channel is {self.channel}; 1 to 16 are accepted")
        if not 0 <= self.controller <= LAST_CONTROLLER:
            raise InputError(
                f"MIDI controller is {self.controller}; 0 to {LAST_CONTROLLER} are accepted"
                " (120 to 127 are channel mode messages)"
            )
        if not 0 <= self.value <= 127:
            raise InputError(f"value of MIDI controller {self.controller} is {self.value}; 0 to 127 are accepted")

    def bytes(self) -> list[int]:
        """Status, controller and value, as sent without running status."""
        return [CONTROL_CHANGE | (self.channel - 1), self.controller, self.value]


def encode(decision: MuteDecision, modules: Iterable[ModuleLike]) -> list[ControlChange]:
    """The control changes that carry out ``decision``, one for each module, in the order of the modules.

    Raises
    ------
    InputError
        When a module has no controller for the string, or a number that MIDI does not allow.
    """
    messages: list[ControlChange] = []
    for module in modules:
        if not 1 <= decision.string <= len(module.controllers):
            raise InputError(
                f"module {module.name!r} has no controller for string {decision.string};"
                f" it has controllers for 1 to {len(module.controllers)}"
            )
        value = module.unmuted_value if decision.open else module.muted_value
        messages.append(ControlChange(module.channel, module.controllers[decision.string - 1], value))
    return messages


def encode_all(decisions: Iterable[MuteDecision], modules: Sequence[ModuleLike]) -> list[tuple[float, ControlChange]]:
    """``(time_s, message)`` for every message of every decision, in the order in which they are to be sent.

    Raises
    ------
    InputError
        As :func:`encode`.
    """
    return [(decision.time_s, message) for decision in decisions for message in encode(decision, modules)]


def open_all(modules: Iterable[ModuleLike]) -> list[ControlChange]:
    """Messages that open every string of every module whatever was sent before, from the lowest string up.

    For a module in an unknown state: at the start, after a fault, and on the way out.
    """
    return [
        ControlChange(module.channel, controller, module.unmuted_value)
        for module in modules
        for controller in reversed(module.controllers)
    ]
