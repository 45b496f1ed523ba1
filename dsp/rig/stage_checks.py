"""What must hold between the settings of the stage: outputs, and foot switches and pedals."""

from collections.abc import Iterator
from typing import TYPE_CHECKING

from thumbline.dsp.midi.foot_controller import ACTIONS, bind

if TYPE_CHECKING:
    from thumbline.dsp.rig.model import Rig
    from thumbline.dsp.rig.stage_sections import Foot

LAST_CONTROLLER = 119


def stage_contradictions(rig: "Rig") -> Iterator[str]:
    """Yield one line for each contradiction: the key, the value received and what is accepted."""
    yield from _outputs(rig)
    for i, foot in enumerate(rig.feet):
        yield from _foot(f"feet[{i}]", foot)
    yield from _repeated_feet(rig)


def _outputs(rig: "Rig") -> Iterator[str]:
    live = rig.live
    for part, outputs, levels in (
        ("bass", live.bass_outputs, live.bass_levels_db),
        ("guitar", live.guitar_outputs, live.guitar_levels_db),
    ):
        if len(levels) != len(outputs):
            have = f"{len(levels)} value" + "s" * (len(levels) != 1)
            yield f"live.{part}_levels_db has {have}; accepted: {len(outputs)}, one per output (live.{part}_outputs)"
    if rig.guitar.stereo and len(live.guitar_outputs) % 2:
        yield (
            f"live.guitar_outputs has {len(live.guitar_outputs)} value" + "s" * (len(live.guitar_outputs) != 1) + "; "
            "accepted: left and right by turns while guitar.stereo is true"
        )
    for part, outputs in (("bass", live.bass_outputs), ("guitar", live.guitar_outputs)):
        key = f"live.{part}_outputs"
        for i, number in enumerate(outputs):
            first = outputs.index(number)
            if first < i:
                yield f"{key}[{i}] is {number}, as is {key}[{first}]; accepted: each output once"


def _foot(key: str, foot: "Foot") -> Iterator[str]:
    action = ACTIONS[foot.action]
    behaviour = bind(foot).behaviour
    if behaviour not in action.behaviours:
        yield f'{key}.behaviour is "{behaviour}"; accepted for "{foot.action}": {_either("auto", *action.behaviours)}'
        return
    if behaviour == "momentary" and foot.message == "program change":
        yield f'{key}.behaviour is "momentary"; accepted for program changes, which are never let go: "latching"'
    if behaviour == "pedal" and foot.message != "control change":
        yield f'{key}.message is "{foot.message}"; accepted for a pedal: "control change"'
    if foot.number == "any":
        if (foot.action, foot.message) != ("setting", "program change"):
            yield f'{key}.number is "any"; accepted: 0 to 127, or "any" for the action "setting" and program changes'
    elif foot.message == "control change" and foot.number > LAST_CONTROLLER:
        yield f"{key}.number is {foot.number}; accepted for control changes: 0 to {LAST_CONTROLLER}"
    yield from _values(key, foot, behaviour)


def _values(key: str, foot: "Foot", behaviour: str) -> Iterator[str]:
    action = ACTIONS[foot.action]
    ranged = action.low < action.high
    accepted = f'{"a whole number, " * action.whole}{action.low:g} to {action.high:g} for "{foot.action}"'
    steps = [(f"{key}.steps[{i}]", step) for i, step in enumerate(foot.steps)]
    ends = [(f"{key}.{name}", value) for name, value in (("low", foot.low), ("high", foot.high)) if value != "auto"]
    if behaviour == "stepped" and ends:
        yield f'{ends[0][0]} is {ends[0][1]}; accepted for a stepped switch: "auto" (its values stand in steps)'
    elif behaviour != "stepped" and steps:
        yield f'{steps[0][0]} is {steps[0][1]}; accepted while behaviour is "{behaviour}": no steps'
    elif not ranged and (ends or steps):
        name, value = [*ends, *steps][0]
        wanted = "no steps" if name in dict(steps) else '"auto"'
        yield f'{name} is {value}; accepted for "{foot.action}": {wanted}'
    else:
        for name, value in [*ends, *steps]:
            if not isinstance(value, str) and not _is_in(value, action.low, action.high, action.whole):
                yield f"{name} is {value:g}; accepted: {accepted}"
    if foot.action == "setting" and foot.number != "any" and not foot.steps:
        yield f'{key}.steps is []; accepted for "setting": the numbers of settings, from 1'


def _is_in(value: float, low: float, high: float, whole: bool) -> bool:
    return low <= value <= high and (not whole or value == int(value))


def _repeated_feet(rig: "Rig") -> Iterator[str]:
    uses = [(foot.action, foot.message, foot.channel, foot.number) for foot in rig.feet]
    for i, use in enumerate(uses):
        first = uses.index(use)
        if first < i:
            yield f'feet[{i}] is the same switch and action as feet[{first}] ("{use[0]}"); accepted: each once'


def _either(*words: str) -> str:
    return " or ".join(f'"{word}"' for word in words)
