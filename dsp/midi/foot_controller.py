"""Foot switches and pedals: from MIDI messages to what the player asks.

Pure: knows no ports and no clock. A :class:`Binding` says which message does what; :class:`FootBoard` keeps what must
be remembered between messages (whether a switch is down) and nothing else: the request of the moment is handed in, so
a key on the screen and a switch on the floor never disagree.

Sources: MIDI 1.0 Detailed Specification 4.2.1 (MMA): status bytes (table II), note on with velocity 0 as a note off
(page 10), switches that are off up to 63 and on from 64 (table III; from memory).
"""

import math
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any, NamedTuple, Protocol

from thumbline.dsp.midi.numbers import CONTROL_CHANGE, LAST_CONTROLLER, NOTE_OFF, NOTE_ON, PROGRAM_CHANGE

ON = 64
"""The lowest value of a controller that means "on"."""

MOST_SONGS = 32
"""Songs in a set."""


class Action(NamedTuple):
    """What may be said of an action in the rig; the first behaviour is the one that "auto" stands for."""

    behaviours: tuple[str, ...]
    low: float = 0.0  #: lowest value accepted
    high: float = 0.0
    auto: tuple[float, float] = (0.0, 1.0)  #: what "auto" stands for in low and high
    steps: tuple[float, ...] = ()  #: what a stepped switch goes through if the rig has no steps
    whole: bool = False  #: whole numbers only


RANGED = ("pedal", "stepped", "momentary", "latching")
ACTIONS: Mapping[str, Action] = {
    "split": Action(("latching", "momentary")),
    "hold": Action(("momentary", "latching")),
    "unmute all": Action(("momentary", "latching")),
    "tuner": Action(("momentary", "latching")),
    "save song": Action(("stepped",)),
    "bass level": Action(RANGED, -60.0, 12.0, (-30.0, 0.0), (0.0, -6.0)),
    "bass tone": Action(RANGED, 80.0, 20000.0, (200.0, 5000.0), (3000.0, 800.0)),
    "interval": Action(("stepped", "momentary", "latching", "pedal"), -24.0, 0.0, (-12.0, -24.0), (-12.0, -24.0), True),
    "next song": Action(("stepped",)),
    "previous song": Action(("stepped",)),
    "song": Action(("stepped",), 1.0, float(MOST_SONGS), whole=True),
}


class FootLike(Protocol):
    """A switch or pedal as the rig has it (``thumbline.dsp.rig.stage_sections.Foot``)."""

    @property
    def action(self) -> str: ...  # noqa: D102
    @property
    def message(self) -> str: ...  # noqa: D102
    @property
    def channel(self) -> int: ...  # noqa: D102
    @property
    def number(self) -> int | str: ...  # noqa: D102
    @property
    def behaviour(self) -> str: ...  # noqa: D102
    @property
    def low(self) -> float | str: ...  # noqa: D102
    @property
    def high(self) -> float | str: ...  # noqa: D102
    @property
    def steps(self) -> Sequence[float]: ...  # noqa: D102


@dataclass(frozen=True, slots=True)
class Binding:
    """Which message does what, nothing left open; channel 1 to 16, number None for any."""

    action: str
    message: str
    channel: int
    number: int | None
    behaviour: str
    low: float
    high: float
    steps: tuple[float, ...]


def bind(foot: FootLike) -> Binding:
    """Fill in what the rig leaves to "auto"."""
    action = ACTIONS[foot.action]
    low, high = (
        auto if isinstance(given, str) else float(given)
        for given, auto in zip((foot.low, foot.high), action.auto, strict=True)
    )
    return Binding(
        action=foot.action,
        message=foot.message,
        channel=foot.channel,
        number=None if isinstance(foot.number, str) else foot.number,
        behaviour=action.behaviours[0] if foot.behaviour == "auto" else foot.behaviour,
        low=low,
        high=high,
        steps=tuple(map(float, foot.steps)) or action.steps,
    )


@dataclass(frozen=True, slots=True)
class Controls:
    """What is asked at the moment, by whatever means."""

    split: bool = True  #: the bass is split off
    hold: bool = False
    all_open: bool = False
    tuner: bool = False  #: all sound is silent and the pitch is shown large
    save: int = 0  #: how often it was asked to save what is set now
    bass_level_db: float = 0.0
    tone_hz: float = 3000.0
    interval: float = -12.0  #: semitones; NaN: as in the setting
    setting: int = 0  #: index from 0
    settings: int = 1  #: how many there are


FIELDS = {
    "split": "split",
    "hold": "hold",
    "unmute all": "all_open",
    "tuner": "tuner",
    "save song": "save",
    "bass level": "bass_level_db",
    "bass tone": "tone_hz",
    "interval": "interval",
    "next song": "setting",
    "previous song": "setting",
    "song": "setting",
}
"""What each action changes in :class:`Controls`."""


class Press(NamedTuple):
    """What a message says of a switch or pedal."""

    message: str  #: as in the rig
    channel: int  #: 1 to 16
    number: int
    value: int  #: 0 to 127; 127 where the message has none


def read_press(message: Sequence[int]) -> Press | None:
    """Return what a message from a foot controller says, or None if it is not a control change, note or program change.

    Channel mode messages (controllers 120 to 127) are None, and so are incomplete messages.
    """
    if not message or any(not 0 <= byte < 0x80 for byte in message[1:]):
        return None
    kind, channel = message[0] & 0xF0, (message[0] & 0x0F) + 1
    if kind == PROGRAM_CHANGE and len(message) == 2:
        return Press("program change", channel, message[1], 127)
    if len(message) != 3:
        return None
    _, number, value = message
    if kind == CONTROL_CHANGE and number <= LAST_CONTROLLER:
        return Press("control change", channel, number, value)
    if kind == NOTE_ON:
        # However softly: a switch that sends notes says "pressed" with any velocity but 0.
        return Press("note", channel, number, max(value, ON) if value else 0)
    return Press("note", channel, number, 0) if kind == NOTE_OFF else None


class FootBoard:
    """All switches and pedals of a rig. Bit n of ``down``: binding n is pressed to begin with."""

    def __init__(self, bindings: Iterable[Binding], down: int = 0):
        self._bindings = tuple(bindings)
        self._last = [127 * (down >> index & 1) for index in range(len(self._bindings))]

    @property
    def down(self) -> int:
        """Which bindings are pressed, one bit each, as for the constructor."""
        return sum(1 << index for index, value in enumerate(self._last) if value >= ON)

    def let_go(self, now: Controls) -> Controls:
        """Return the request after ``now`` when every switch is released; only momentary ones answer."""
        for index, binding in enumerate(self._bindings):
            if self._last[index] >= ON and binding.behaviour == "momentary":
                now = _answer(binding, Press(binding.message, binding.channel, 0, 0), False, now)
            self._last[index] = 0
        return now

    def feed(self, message: Sequence[int], now: Controls) -> Controls:
        """Return the request after ``message`` (status and data bytes); ``now`` is the one before it."""
        press = read_press(message)
        if press is None:
            return now
        for index, binding in enumerate(self._bindings):
            same_kind = (binding.message, binding.channel) == (press.message, press.channel)
            if same_kind and binding.number in (None, press.number):
                # A switch that says "on" at each press and never "off" is pressed each time; a pedal passing
                # through the upper half presses once.
                last, self._last[index] = self._last[index], press.value
                pressed = press.value >= ON and (last < ON or press.value == last or press.message != "control change")
                now = _answer(binding, press, pressed, now)
        return now


def _answer(binding: Binding, press: Press, pressed: bool, now: Controls) -> Controls:
    field = FIELDS[binding.action]
    if binding.behaviour == "stepped":
        if not pressed:
            return now
        if field == "save":
            return replace(now, save=now.save + 1)
        if field == "setting":
            return go_to(now, _setting(binding, press, now))
        return replace(now, **{field: _next(binding, now)})
    current: Any = getattr(now, field)
    value: Any
    if binding.behaviour == "pedal":
        value = _along(binding, press.value / 127.0)
    elif isinstance(current, bool):
        value = press.value >= ON if binding.behaviour == "momentary" else current ^ pressed
    elif binding.behaviour == "momentary":
        value = binding.high if press.value >= ON else binding.low
    elif pressed:
        value = binding.low if current == binding.high else binding.high
    else:
        value = current
    return replace(now, **{field: value})


def go_to(now: Controls, setting: int) -> Controls:
    """Return the request in another setting: the interval is that setting's own (NaN), level and tone stay.

    A pedal that follows the level stays where it is, so its loudness must not jump; the interval belongs to a song.
    """
    return now if setting == now.setting else replace(now, setting=setting, interval=math.nan)


def _along(binding: Binding, share: float) -> float:
    """The value that far along the pedal's way: in equal steps of pitch for Hz, whole semitones for the interval."""
    low, high = binding.low, binding.high
    if binding.action == "bass tone":
        return low * (high / low) ** share
    value = low + (high - low) * share
    return float(math.floor(value + 0.5)) if binding.action == "interval" else value


def _next(binding: Binding, now: Controls) -> float:
    """The step after the one in force; the first, if none is."""
    current = getattr(now, FIELDS[binding.action])
    if current not in binding.steps:
        return binding.steps[0]
    return binding.steps[(binding.steps.index(current) + 1) % len(binding.steps)]


def _setting(binding: Binding, press: Press, now: Controls) -> int:
    """The setting to go to: settings follow one another in a circle; a number that the set has not changes nothing."""
    if binding.action == "next song":
        return (now.setting + 1) % now.settings
    if binding.action == "previous song":
        return (now.setting - 1) % now.settings
    if binding.number is None:
        wanted = press.number
    else:
        steps = [int(step) - 1 for step in binding.steps if step <= now.settings]
        if not steps:
            return now.setting
        wanted = steps[(steps.index(now.setting) + 1) % len(steps)] if now.setting in steps else steps[0]
    return wanted if wanted < now.settings else now.setting
