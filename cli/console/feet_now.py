"""What a press of each foot switch would do at this moment, in a few words.

It is found by pressing it on a board of its own, so that the screen and the floor never disagree.
"""

from collections.abc import Sequence

from thumbline.cli.console.view import interval_words
from thumbline.dsp.midi.foot_controller import Binding, Controls, FootBoard
from thumbline.dsp.midi.numbers import CONTROL_CHANGE, NOTE_ON, PROGRAM_CHANGE

_SHORT = {"control change": "CC", "note": "note", "program change": "PC"}
_STATUS = {"control change": CONTROL_CHANGE, "note": NOTE_ON, "program change": PROGRAM_CHANGE}


def what_feet_do(feet: Sequence[Binding], down: int, now: Controls, songs: Sequence[str]) -> tuple[str, ...]:
    """Return words for each switch or pedal, in order.

    ``down`` has one bit per switch that is pressed; ``songs`` are the names of the set.
    """
    return tuple(
        f"{_name(foot)} {_effect(foot, now, songs, pressed=bool(down >> index & 1))}" for index, foot in enumerate(feet)
    )


def _name(foot: Binding) -> str:
    return f"{_SHORT[foot.message]} {'any' if foot.number is None else foot.number}"


def _effect(foot: Binding, now: Controls, songs: Sequence[str], *, pressed: bool) -> str:
    if foot.behaviour == "pedal":
        return foot.action
    if foot.number is None:
        return "goes to that song"
    after = FootBoard([foot]).feed(_press(foot), now)
    if foot.behaviour == "momentary" and pressed:
        return f"{foot.action}, held down"
    if after.split != now.split:
        return "split on" if after.split else "split off"
    if after.hold != now.hold:
        return "hold" if after.hold else "hold off"
    if after.all_open != now.all_open:
        return "unmute all" if after.all_open else "mutes as played"
    if after.setting != now.setting:
        return f"to {songs[after.setting] or 'the next song'}"
    if after.bass_level_db != now.bass_level_db:
        return f"bass {after.bass_level_db:+.0f} dB"
    if after.tone_hz != now.tone_hz:
        return f"tone {after.tone_hz:.0f} Hz"
    if after.interval != now.interval:
        return f"bass {interval_words(after.interval)}"
    return f"{foot.action}: nothing now"


def _press(foot: Binding) -> list[int]:
    status = _STATUS[foot.message] | (foot.channel - 1)
    number = foot.number or 0
    return [status, number] if foot.message == "program change" else [status, number, 127]
