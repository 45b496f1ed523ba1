"""The rig: every setting of one guitar, its interface and the sound module behind it.

A rig never changes once it is made, and is always complete: lists with one value per string are there in
full, string 1 (the highest) first, whatever the file left out.
"""

from collections.abc import Mapping
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray
from pydantic import BaseModel, Field, ValidationError, model_validator

from thumbline.dsp.errors import InputError
from thumbline.dsp.note_names import note_to_midi
from thumbline.dsp.rig.checks import ContradictionError, contradictions
from thumbline.dsp.rig.former_words import in_todays_words, todays_key
from thumbline.dsp.rig.sections import (
    Bass,
    Bleed,
    Choice,
    Detect,
    Guitar,
    Input,
    Instrument,
    MuteModule,
    Mutes,
    Output,
    Section,
)
from thumbline.dsp.rig.stage_sections import Feet, Foot, Live, Midi, Tuner

__all__ = [
    "Bass",
    "Bleed",
    "Choice",
    "Detect",
    "Foot",
    "Guitar",
    "Input",
    "Instrument",
    "Live",
    "Midi",
    "MuteModule",
    "Mutes",
    "Output",
    "Rig",
    "Tuner",
]

FIRST_CONTROLLER = 102
"""String 1's controller by default: 102 to 119 are undefined in MIDI 1.0, so free to use."""


class Rig(Section):
    """All settings. ``Rig()`` is a six-string guitar in standard tuning.

    Sections may be given as mappings or as models. Raises pydantic's ValidationError, which
    ``thumbline.dsp.rig.file.rig_from_dict`` puts into words.

    Examples
    --------
    >>> import thumbline.dsp as tl
    >>> tl.Rig().open_midi.tolist()
    [64.0, 59.0, 55.0, 50.0, 45.0, 40.0]
    >>> tl.Rig(instrument={"strings": ["G2", "D2", "A1", "E1"]}).input.channels
    (1, 2, 3, 4)
    """

    instrument: Instrument = Instrument()
    input: Input = Input()
    detect: Detect = Detect()
    bleed: Bleed = Bleed()
    choice: Choice = Choice()
    bass: Bass = Bass()
    guitar: Guitar = Guitar()
    mutes: Mutes = Mutes()
    output: Output = Output()
    live: Live = Live()
    midi: Midi = Midi()
    tuner: Tuner = Tuner()
    feet: Feet = Field(default=(), description="The foot switches and pedals, each under its own [[feet]].")

    @model_validator(mode="before")
    @classmethod
    def _complete_lists(cls, data: Any) -> Any:
        """Give each list with one value per string that was left out its default, now the strings are known.

        What has the wrong shape is passed on as it is, for the fields themselves to refuse.
        """
        if not isinstance(data, Mapping):
            return data
        sections = in_todays_words({key: _as_table(value) for key, value in data.items()})
        instrument = sections.get("instrument", {})
        strings = instrument.get("strings", Instrument().strings) if isinstance(instrument, dict) else ()
        count = len(strings) if isinstance(strings, list | tuple) else 0
        defaults: dict[str, dict[str, Any]] = {
            "input": {"channels": tuple(range(1, count + 1)), "trim_db": (0.0,) * count},
            "detect": {"tuning_cents": (0.0,) * count},
            "guitar": {"pan": (0.0,) * count},
            "tuner": {"offsets_cents": (0.0,) * count},
            "mutes": {"modules": ({},)},
        }
        for section, lists in defaults.items():
            sections[section] = _completed(sections.get(section, {}), lists)
        sections["live"] = _completed_outputs(sections.get("live", {}), sections.get("guitar", {}))
        feet = sections.get("feet")
        if isinstance(feet, list | tuple):
            sections["feet"] = tuple(map(_as_table, feet))
        mutes = sections["mutes"]
        if isinstance(mutes, dict) and isinstance(mutes["modules"], list | tuple):
            controllers = {"controllers": tuple(range(FIRST_CONTROLLER, FIRST_CONTROLLER + count))}
            mutes["modules"] = tuple(_completed(_as_table(module), controllers) for module in mutes["modules"])
        return sections

    @model_validator(mode="after")
    def _refuse_contradictions(self) -> Self:
        found = contradictions(self)
        if found:
            raise ContradictionError(found)
        return self

    def changed(self, changes: Mapping[str, object], source: str = "changed rig") -> "Rig":
        """Return the rig with other values.

        Parameters
        ----------
        changes : mapping
            Values by key as in the rig file (``"detect.on_db"``), or a section with all its keys (``"detect"``). Keys
            that a section lacks take their defaults.
        source : str
            How the message of an error begins.

        Raises
        ------
        InputError
            If a key is unknown or a value is not accepted.

        Examples
        --------
        >>> import thumbline.dsp as tl
        >>> tl.Rig().changed({"bass.voice": "synth", "choice.settle_ms": 10}).bass.voice
        'synth'
        """
        table: dict[str, Any] = self.model_dump()
        for key, value in changes.items():
            section, _, name = todays_key(key).partition(".")
            new = value.model_dump() if isinstance(value, BaseModel) else value
            keys = table.get(section, {})
            if name and isinstance(keys, dict):
                table[section] = {**keys, name: new}
            else:
                table[key] = new
        try:
            return Rig.model_validate(table)
        except ValidationError as error:
            from thumbline.dsp.rig.messages import explain_errors

            raise InputError(f"{source}: {explain_errors(error)}") from None

    @property
    def string_count(self) -> int:
        """How many strings the guitar has."""
        return len(self.instrument.strings)

    @property
    def open_midi(self) -> NDArray[np.float64]:
        """Key numbers (69 = A4) of the open strings, capo on; shape (string_count,), string 1 first."""
        names = self.instrument.strings
        return np.array([note_to_midi(name) for name in names], np.float64) + self.instrument.capo

    @property
    def bass_strings(self) -> tuple[int, ...]:
        """Numbers of the strings that may carry the bass."""
        chosen = self.choice.strings
        return tuple(range(1, self.string_count + 1)) if chosen == "all" else chosen

    @property
    def highest_bass_midi(self) -> float:
        """Key number of the highest note that may be bass; infinite if there is no limit."""
        name = self.choice.highest_note
        return float("inf") if name == "any" else float(note_to_midi(name))


def _as_table(value: Any) -> Any:
    """Return a model as a mapping of the keys that were set, a mapping as a copy, all else as it is."""
    if isinstance(value, BaseModel):
        return value.model_dump(exclude_unset=True)
    return dict(value) if isinstance(value, Mapping) else value


def _completed(table: Any, defaults: Mapping[str, Any]) -> Any:
    return {**defaults, **table} if isinstance(table, dict) else table


def _completed_outputs(live: Any, guitar: Any) -> Any:
    """Give the outputs that were left out their defaults, and each output without a level that of 0 dB."""
    stereo = isinstance(guitar, dict) and guitar.get("stereo") is True
    live = _completed(live, {"bass_outputs": (1,), "guitar_outputs": (2, 3) if stereo else (2,)})
    if not isinstance(live, dict):
        return live
    counts = {
        part: len(outputs) if isinstance(outputs := live[f"{part}_outputs"], list | tuple) else 0
        for part in ("bass", "guitar")
    }
    return _completed(live, {f"{part}_levels_db": (0.0,) * count for part, count in counts.items()})
