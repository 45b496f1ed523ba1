"""From the messages of one press to a switch in the rig, and into the rig's file without touching the rest of it."""

from collections.abc import Sequence
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError
from thumbline.dsp.midi.foot_controller import ACTIONS, ON, Press, read_press
from thumbline.dsp.rig.file import load_rig, rig_from_dict, write_rig
from thumbline.dsp.rig.former_words import todays_value

#: Bank select, which many foot controllers send before a program change (MIDI 1.0, controllers 0 and 32).
BANK_SELECT = (0, 32)


def pressed(messages: Sequence[Sequence[int]], *, pedal: bool) -> Press | None:
    """Return the message that says which switch was pressed or, with ``pedal``, which pedal moved; None if none does.

    A program change is meant if there is one, not the bank select before it. A switch counts when it is pressed, not
    when it is let go.
    """
    presses = [press for message in messages if (press := read_press(message)) is not None]
    if pedal:
        moved = [press for press in presses if press.message == "control change"]
        return max(moved, key=lambda press: sum(_place(press) == _place(other) for other in moved), default=None)
    down = [press for press in presses if press.value >= ON or press.message == "program change"]
    programs = [press for press in down if press.message == "program change"]
    others = [press for press in down if press.message != "control change" or press.number not in BANK_SELECT]
    return next(iter(programs or others or down), None)


def _place(press: Press) -> tuple[str, int, int]:
    return press.message, press.channel, press.number


def also_done_by(path: Path, action: str, press: Press) -> list[str]:
    """Return the other actions of the rig file at ``path`` that ``press`` does already. Raises InputError."""
    return [
        foot.action
        for foot in load_rig(path).feet
        if foot.action != action
        and (foot.message, foot.channel) == (press.message, press.channel)
        and foot.number in ("any", press.number)
    ]


def learn(
    path: Path, action: str, press: Press, *, behaviour: str | None = None, steps: Sequence[float] = ()
) -> dict[str, Any]:
    """Write into the rig file at ``path`` that ``press`` does ``action``, and return the switch as it stands there.

    A switch that did this action before now is this one; what else it says (its behaviour, its range) is kept, and so
    is all the rest of the file, comments and all. With several such switches the first is changed.

    Raises InputError if the action is unknown, the file is not a valid rig, or the press cannot do that; nothing is
    written then.
    """
    import tomlkit

    action = todays_value("feet.action", action)
    if action not in ACTIONS:
        raise InputError(f"action is {action!r}; accepted: {', '.join(ACTIONS)}")
    load_rig(path)
    document = tomlkit.parse(path.read_bytes().decode("utf-8-sig"))
    feet = document.get("feet")
    if not feet:
        document.pop("feet", None)
        feet = tomlkit.aot()
        document.append("feet", feet)
    switch = next((foot for foot in feet if todays_value("feet.action", foot.get("action", "split")) == action), None)
    if switch is None:
        switch = tomlkit.table()
        feet.append(switch)
    changes: dict[str, Any] = {
        "action": action,
        "message": press.message,
        "channel": press.channel,
        "number": press.number,
    }
    if behaviour is not None:
        changes["behaviour"] = behaviour
    if steps:
        changes["steps"] = list(steps)
    for key, value in changes.items():
        switch[key] = value
    text = tomlkit.dumps(document)
    rig_from_dict(document.unwrap(), str(path))
    write_rig(path, text)
    return dict(switch.unwrap())
