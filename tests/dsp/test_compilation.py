"""Compile policy: where compiled kernels are kept, and what the arithmetic promises."""

import math
import os
import subprocess
import sys
from pathlib import Path

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.machine_code.kernel_cache import are_compiled
from thumbline.dsp.memory.events import END, HANDOVER, LOCK, NOTE, PLUCK
from thumbline.dsp.processor.processor import warm_up


@kernel
def _divide(a: float, b: float) -> float:
    return a / b


@kernel
def _sum_left_to_right(a: float, b: float, c: float) -> float:
    return a + b + c


@kernel
def _is_nan(a: float) -> bool:
    return math.isnan(a) or a != a


def test_division_follows_ieee_754_and_does_not_raise() -> None:
    assert _divide(1.0, 0.0) == math.inf
    assert _divide(-1.0, 0.0) == -math.inf
    assert math.isnan(_divide(0.0, 0.0))


def test_sums_are_not_regrouped_and_nan_stays_visible() -> None:
    assert _sum_left_to_right(1e16, -1e16, 1.0) == 1.0
    assert _sum_left_to_right(1.0, 1e16, -1e16) == 0.0
    assert _is_nan(math.nan)


def test_after_warming_up_the_kernels_are_known_to_be_compiled() -> None:
    warm_up()
    assert are_compiled()


WITHOUT_OR_WITH_COMPILER = """
import sys
import numpy as np
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.rig.model import Rig
frames = np.random.default_rng(1).normal(0.0, 1e-5, (1600, 6))
frames[200:, 5] += 0.2 * np.sin(2 * np.pi * 220 * np.arange(1400) / 22050)
processor = Processor(Rig(), 22050)
out, events = processor.process(frames)
np.savez(sys.argv[1], out=out, events=np.concatenate([events, processor.finish()]))
"""


def test_with_the_compiler_off_the_kernels_run_as_plain_python_and_give_the_same(tmp_path: Path) -> None:
    """Within 1e-6, not to the last bit: the compiler may fuse a product and a sum into one rounding."""

    def run(disable: str) -> tuple[np.ndarray, np.ndarray]:
        done = subprocess.run(
            [sys.executable, "-c", WITHOUT_OR_WITH_COMPILER, str(tmp_path / f"{disable}.npz")],
            env={**os.environ, "NUMBA_DISABLE_JIT": disable},
            capture_output=True,
            text=True,
            check=False,
        )
        assert (done.returncode, done.stdout, done.stderr) == (0, "", "")
        with np.load(tmp_path / f"{disable}.npz") as results:
            return results["out"], results["events"]

    (out, events), (plain_out, plain_events) = run("0"), run("1")
    assert np.abs(out).max(axis=0).min() > 0.01, "there is a bass and a guitar"
    assert {PLUCK, LOCK, NOTE, HANDOVER, END} <= set(events["kind"].tolist())
    np.testing.assert_allclose(plain_out, out, rtol=0.0, atol=1e-6)
    for name in ("frame", "decided", "kind", "string"):
        np.testing.assert_array_equal(plain_events[name], events[name], err_msg=name)
    for name in ("value", "extra", "level"):
        np.testing.assert_allclose(plain_events[name], events[name], rtol=1e-6, atol=1e-6, err_msg=name)
