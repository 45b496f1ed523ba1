"""The life of a note is as the table in `string_update` has it: its functions exist, and the demo keeps to it."""

import importlib
import re
from collections import Counter

import numpy as np
import soundfile

from tests.helpers.places import DATA, DEMO
from thumbline.dsp.kernel import string_update
from thumbline.dsp.memory.records import PLUCKED, SILENT, SOUNDING
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.file import load_rig

HOMES = ("confirmation", "controls", "offsets", "onsets", "pitch_tracking", "string_update")
#: Frames per step: less than a hop, so that no state between is missed.
STEP, SECONDS = 24, 10


def rows() -> list[str]:
    table = (string_update.__doc__ or "").split("\n")
    edges = [number for number, line in enumerate(table) if line.startswith("===")]
    return table[edges[1] + 1 : edges[2]]


def test_every_transition_names_a_kernel() -> None:
    functions = [name for row in rows() for name in re.findall(r"``([a-z_]+)``$", row.rstrip())]
    kernels = {name for home in HOMES for name in vars(importlib.import_module(f"thumbline.dsp.kernel.{home}"))}
    assert len(functions) >= 14
    assert set(functions) <= kernels


def test_the_strings_of_the_demo_pass_through_no_other_states() -> None:
    frames, rate = soundfile.read(DEMO, stop=SECONDS * 48_000, dtype="float64")
    processor = Processor(load_rig(DATA / "demo.toml"), rate)
    strings = processor.state[0]["strings"][: processor.rig.string_count]
    states, steps = Counter[tuple[int, int]](), Counter[tuple[int, int]]()
    before = strings["phase"].copy()
    for first in range(0, len(frames), STEP):
        processor.decide(frames[first : first + STEP])
        phase, note = strings["phase"].copy(), strings["note"]
        states.update(zip(phase.tolist(), note.tolist(), strict=True))
        moved = before != phase
        steps.update(zip(before[moved].tolist(), phase[moved].tolist(), strict=True))
        before = phase
    assert states[PLUCKED, 1] == 0
    assert min(states[PLUCKED, 0], states[SOUNDING, 0], states[SOUNDING, 1]) > 100
    # A silent string is plucked first; the rest of the table leads from any of the other two to each.
    assert steps[SILENT, SOUNDING] == 0
    assert min(steps[SILENT, PLUCKED], steps[PLUCKED, SOUNDING], steps[SOUNDING, SILENT]) > 5
    assert np.isin(list({each for pair in steps for each in pair}), (SILENT, PLUCKED, SOUNDING)).all()
