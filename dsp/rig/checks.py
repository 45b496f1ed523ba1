"""What must hold between the settings of a rig, beyond the range of each one alone."""

from collections.abc import Iterator, Sequence
from itertools import combinations
from typing import TYPE_CHECKING, Any

import numpy as np

from thumbline.dsp.midi.foot_controller import ACTIONS, bind
from thumbline.dsp.midi.numbers import LAST_CONTROLLER
from thumbline.dsp.note_names import midi_to_note, note_to_midi

if TYPE_CHECKING:
    from thumbline.dsp.rig.model import Rig
    from thumbline.dsp.rig.stage_sections import Foot

LARGEST_CONDITION = 1000.0
"""Condition number of the bleed matrix above which undoing it would raise noise by up to 60 dB."""


class ContradictionError(ValueError):
    """Settings that are each accepted but do not fit together; ``sentences`` has a line for each."""

    def __init__(self, sentences: list[str]) -> None:
        super().__init__("; ".join(sentences))
        self.sentences = sentences


def contradictions(rig: "Rig") -> list[str]:
    """Return one line for each contradiction in ``rig``: the key, the value received and what is accepted."""
    wrong_lengths = list(_wrong_lengths(rig))
    if wrong_lengths:  # the other checks go through the lists string by string
        return wrong_lengths
    return [
        *_repeats("input.channels", rig.input.channels, "each channel once"),
        *_string_numbers(rig, "input.invert", rig.input.invert),
        *_string_numbers(rig, "choice.strings", rig.bass_strings),
        *_thresholds(rig),
        *_bleed(rig),
        *_highest_note(rig),
        *_modules(rig),
        *stage_contradictions(rig),
    ]


def _wrong_lengths(rig: "Rig") -> Iterator[str]:
    lists: dict[str, Any] = {
        "input.channels": rig.input.channels,
        "input.trim_db": rig.input.trim_db,
        "detect.floor_db": rig.detect.floor_db,
        "detect.level_db": rig.detect.level_db,
        "detect.on_db": rig.detect.on_db,
        "detect.off_db": rig.detect.off_db,
        "detect.tuning_cents": rig.detect.tuning_cents,
        "bleed.matrix": rig.bleed.matrix,
        "guitar.pan": rig.guitar.pan,
        "tuner.offsets_cents": rig.tuner.offsets_cents,
    }
    if not isinstance(rig.bleed.matrix, str):
        lists |= {f"bleed.matrix[{i}]": row for i, row in enumerate(rig.bleed.matrix)}
    lists |= {f"mutes.modules[{i}].controllers": m.controllers for i, m in enumerate(rig.mutes.modules)}
    for key, values in lists.items():
        if not isinstance(values, str) and len(values) != rig.string_count:
            have = f"{len(values)} value" + "s" * (len(values) != 1)
            yield f"{key} has {have}; accepted: {rig.string_count}, one per string (instrument.strings)"


def _repeats(key: str, values: Sequence[int], accepted: str) -> Iterator[str]:
    for i, value in enumerate(values):
        first = values.index(value)
        if first < i:
            yield f"{key}[{i}] is {value}, as is {key}[{first}]; accepted: {accepted}"


def _string_numbers(rig: "Rig", key: str, numbers: Sequence[int]) -> Iterator[str]:
    for i, number in enumerate(numbers):
        if number > rig.string_count:
            yield f"{key}[{i}] is {number}; accepted: a string number, 1 to {rig.string_count}"
    yield from _repeats(key, numbers, "each string once")


def _thresholds(rig: "Rig") -> Iterator[str]:
    on, off = rig.detect.on_db, rig.detect.off_db
    if on == "auto" or off == "auto":
        return
    for i, (on_db, off_db) in enumerate(zip(on, off, strict=True)):
        if on_db <= off_db:
            yield f"detect.on_db[{i}] is {on_db}; accepted: more than detect.off_db[{i}], which is {off_db}"


def _bleed(rig: "Rig") -> Iterator[str]:
    if isinstance(rig.bleed.matrix, str):
        return
    matrix = np.array(rig.bleed.matrix)
    found = False
    for (i, j), value in np.ndenumerate(matrix):
        accepted = "1 on the diagonal" if i == j else "more than -1 and less than 1 beside the diagonal"
        if (value != 1.0) if i == j else (abs(value) >= 1.0):
            found = True
            yield f"bleed.matrix[{i}][{j}] is {value}; accepted: {accepted}"
    condition = float(np.linalg.cond(matrix))
    if not found and not condition <= LARGEST_CONDITION:
        yield (
            f"bleed.matrix is singular or nearly so (condition number {condition:.3g}), so strings cannot "
            f"be told apart; accepted: a matrix with a condition number up to {LARGEST_CONDITION:g}"
        )


def _highest_note(rig: "Rig") -> Iterator[str]:
    if rig.choice.highest_note == "any" or max(rig.bass_strings, default=0) > rig.string_count:
        return
    lowest = min(rig.open_midi[number - 1] for number in rig.bass_strings)
    if note_to_midi(rig.choice.highest_note) < lowest:
        yield (
            f'choice.highest_note is "{rig.choice.highest_note}"; accepted: "any" or a note from '
            f"{midi_to_note(lowest)} (the lowest open string that may carry the bass) upwards"
        )


def _modules(rig: "Rig") -> Iterator[str]:
    modules = rig.mutes.modules
    for i, module in enumerate(modules):
        key = f"mutes.modules[{i}]"
        if module.unmuted_value == module.muted_value:
            yield (
                f"{key}.muted_value is {module.muted_value}, as is {key}.unmuted_value; "
                "accepted: two different values, 0 to 127"
            )
    uses = [
        (f"mutes.modules[{i}].controllers[{k}]", module.channel, controller)
        for i, module in enumerate(modules)
        for k, controller in enumerate(module.controllers)
    ]
    for (first, channel, controller), (second, other_channel, other_controller) in combinations(uses, 2):
        if (channel, controller) == (other_channel, other_controller):
            yield (
                f"{second} is {controller} on channel {channel}, as is {first}; "
                "accepted: each controller once per channel"
            )


def stage_contradictions(rig: "Rig") -> Iterator[str]:
    """Yield one line for each contradiction: the key, the value received and what is accepted."""
    yield from _outputs(rig)
    yield from _keep_alive(rig)
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


def _keep_alive(rig: "Rig") -> Iterator[str]:
    """The message must be a whole one, and none that moves a mute."""
    message = rig.midi.keep_alive_message
    if rig.midi.keep_alive != "message":
        return
    key = f"midi.keep_alive_message is {list(message)}"
    lengths = {0xC0: 2, 0xD0: 2}  # data bytes follow by table II of MIDI 1.0; all other channel messages have two
    status = message[0] & 0xF0 if message else 0
    if not 0x80 <= status < 0xF0 or len(message) != lengths.get(status, 3) or max(message[1:]) > 127:
        yield f"{key}; accepted: a whole channel message, such as [176, 99, 127]"
    elif status == 0xB0:
        if message[1] > LAST_CONTROLLER:
            yield f"{key}; accepted for control changes: a controller up to {LAST_CONTROLLER}"
        for module in rig.mutes.modules:
            if module.channel == (message[0] & 0x0F) + 1 and message[1] in module.controllers:
                yield f'{key}, which moves a mute of "{module.name}"; accepted: another controller or channel'


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
        if (foot.action, foot.message) != ("song", "program change"):
            yield f'{key}.number is "any"; accepted: 0 to 127, or "any" for the action "song" and program changes'
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
    if foot.action == "song" and foot.number != "any" and not foot.steps:
        yield f'{key}.steps is []; accepted for "song": the numbers of songs, from 1'


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
