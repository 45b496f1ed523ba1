"""Several settings for one guitar, made to be changed while it sounds."""

from collections.abc import Sequence

import numpy as np

from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig

#: What belongs to the guitar, its pickup and the interface, and not to a song: keys, and what they say.
SHARED = ("input.channels", "input.trim_db", "input.invert", "input.mains_hz", "bleed.matrix")


def compile_settings(settings: Sequence[tuple[str, Rig]], rate: int) -> np.ndarray:
    """Compile named rigs; return an array of as many ``PARAMS`` records, in order.

    The kernel can pass from any of them to any other in the midst of sound: they have the same strings and share what
    belongs to the guitar, and the past of the sound is kept in the same way. Compiled alone, each gives the same sound.

    Raises InputError if a setting differs from the first in what must be shared, or cannot be compiled.
    """
    first_name, first = settings[0]
    for name, rig in settings[1:]:
        if rig.string_count != first.string_count:
            raise InputError(
                f'setting "{name}" has {rig.string_count} strings, "{first_name}" {first.string_count}; '
                "accepted: as many in all settings of a set"
            )
        for key in SHARED:
            if _value(rig, key) != _value(first, key):
                raise InputError(
                    f'setting "{name}" has {key} {_value(rig, key)}, "{first_name}" {_value(first, key)}; '
                    "accepted: the same in all settings of a set, as it belongs to the guitar"
                )
    params = np.concatenate([compile_parameters(rig, rate) for _, rig in settings])
    for name in ("past_mask", "hop_mask"):
        params[name] = params[name].max(axis=0)
    return params


def _value(rig: Rig, key: str) -> object:
    section, field = key.split(".")
    return getattr(getattr(rig, section), field)
