"""The compiler changes nothing, for a rig that uses what the default one does not (see tests/dsp/test_compilation.py).

`python -m coverage` sees kernels only where the compiler is switched off; this is the piece that it measures them on.
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.trust.short_take import RATE, short_take
from thumbline.dsp.processor import Processor
from thumbline.dsp.rig import Rig

#: Three plucks, each on a lower string than the one before.
BEGIN_S, END_S = 1.74, 1.90
RIGS = {
    "shifted": Rig.model_validate({"bass": {"tone_hz": 2000.0}, "choice": {"settle_ms": 2.0}}),
    "synth": Rig.model_validate(
        {
            "bass": {"voice": "synth", "dynamics": 0.5},
            "choice": {"rule": "last plucked", "hold_ms": 20.0, "proof_ms": 4.0},
            "guitar": {"strings": "all", "stereo": True},
            "input": {"mains_hz": 50.0},
        }
    ),
}


def played(name: str) -> tuple[np.ndarray, np.ndarray]:
    """Sound and events of the piece, with one sample in it that is none."""
    frames = short_take()[round(BEGIN_S * RATE) : round(END_S * RATE)]
    frames[300, 1] = np.nan
    processor = Processor(RIGS[name], RATE)
    out, events = processor.process(frames)
    return out, np.concatenate([events, processor.finish()])


@pytest.mark.parametrize("name", ["synth"])
def test_kernels_as_plain_python_give_the_same_sound_and_events(tmp_path: Path, name: str) -> None:
    code = (
        "import sys, numpy as np\n"
        "from tests.trust.test_plain_kernels import played\n"
        f"out, events = played({name!r})\n"
        "np.savez(sys.argv[1], out=out, events=events)\n"
    )
    plain = os.environ | {"NUMBA_DISABLE_JIT": "1"}
    root = Path(__file__).parents[2]
    subprocess.run([sys.executable, "-c", code, str(tmp_path / "plain.npz")], env=plain, cwd=root, check=True)
    with np.load(tmp_path / "plain.npz") as found:
        plain_out, plain_events = found["out"], found["events"]
    out, events = played(name)
    assert len(events) > 10
    assert np.abs(out).max() > 0.01
    for field in ("kind", "string", "frame", "decided"):
        np.testing.assert_array_equal(plain_events[field], events[field], err_msg=field)
    for field in ("value", "extra", "level"):
        np.testing.assert_allclose(plain_events[field], events[field], rtol=1e-5, atol=1e-6, err_msg=field)
    np.testing.assert_allclose(plain_out, out, atol=1e-6)  # fused multiply-add rounds once, Python twice
