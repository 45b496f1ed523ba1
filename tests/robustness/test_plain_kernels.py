"""The compiler changes nothing: every kernel, as machine code and as plain Python, on short pieces.

`python -m coverage` sees a kernel's lines only where the compiler is off. The plain runs are processes of their own, so
one run of the tests measures both (see also tests/dsp/test_compilation.py, for the default rig).
"""

import os
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from tests.helpers.places import ROOT
from tests.material.plain_pieces import PIECES

PLAIN = """
import sys
import numpy as np
from tests.material.plain_pieces import PIECES
np.savez(sys.argv[2], **PIECES[sys.argv[1]]())
"""
#: So many events at least, so that no piece has become silence.
LEAST_EVENTS = {
    "synth": 50,
    "hands": 50,
    "knocks": 25,
    "doubts": 50,
    "basses": 25,
    "measures": 0,
    "decisions": 5,
    "stage": 50,
}


@pytest.mark.parametrize("name", PIECES)
def test_kernels_as_plain_python_give_the_same_sound_and_events(tmp_path: Path, name: str) -> None:
    plain = os.environ | {"NUMBA_DISABLE_JIT": "1"}
    command = [sys.executable, "-c", PLAIN, name, str(tmp_path / "plain.npz")]
    subprocess.run(command, env=plain, cwd=ROOT, check=True)
    compiled = PIECES[name]()
    with np.load(tmp_path / "plain.npz") as found:
        assert set(found) == set(compiled)
        for result, expected in compiled.items():
            if expected.dtype.names is None:
                # Within 1e-6: fused multiply-add rounds once, Python twice.
                np.testing.assert_allclose(found[result], expected, rtol=1e-6, atol=1e-6, err_msg=result)
                continue
            for field in ("kind", "string", "frame", "decided"):
                np.testing.assert_array_equal(found[result][field], expected[field], err_msg=field)
            for field in ("value", "extra", "level"):
                np.testing.assert_allclose(found[result][field], expected[field], rtol=1e-5, atol=1e-6, err_msg=field)
    if name in LEAST_EVENTS:
        assert len(compiled["events"]) >= LEAST_EVENTS[name]
    if "out" in compiled:
        assert np.abs(compiled["out"]).max() > 0.01
