"""Compile policy: where compiled kernels are kept, and what the arithmetic promises."""

import math
import os
import subprocess
import sys
from pathlib import Path

import pytest

from thumbline.dsp import compilation
from thumbline.dsp.compilation import are_compiled, cache_folder, kernel
from thumbline.dsp.processor import warm_up


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


def test_kernels_are_kept_in_the_users_cache_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path))
    folder = cache_folder()
    assert folder.parent == tmp_path / "thumbline"
    assert folder.is_dir()
    assert cache_folder() == folder


def test_an_edited_source_means_another_folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setenv("XDG_CACHE_HOME", str(tmp_path / "cache"))
    source = tmp_path / "package" / "compilation.py"
    source.parent.mkdir()
    monkeypatch.setattr(compilation, "__file__", str(source))
    folders = set()
    for name, text in (
        ("compilation.py", "a = 1\n"),
        ("compilation.py", "a = 2\n"),  # an edit of the same length
        ("callee.py", ""),  # a new file
    ):
        (source.parent / name).write_text(text)
        folders.add(cache_folder())
    (source.parent / "callee.py").rename(source.parent / "renamed.py")
    folders.add(cache_folder())
    assert len(folders) == 4


def test_a_cache_folder_that_cannot_be_written_is_replaced_by_a_private_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    blocked = tmp_path / "file"
    blocked.write_text("")
    monkeypatch.setenv("XDG_CACHE_HOME", str(blocked))
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    folder = cache_folder()
    assert folder.is_dir()
    assert folder.parent == tmp_path
    assert folder.stat().st_mode & 0o077 == 0


def test_after_warming_up_the_kernels_are_known_to_be_compiled() -> None:
    warm_up()
    assert are_compiled()


@pytest.mark.xfail(
    strict=True,
    reason="fields of a record of NumPy's void type cannot be reached as attributes outside of Numba",
)
def test_with_the_compiler_off_the_kernels_run_as_plain_python_and_give_the_same() -> None:
    program = """
import numpy as np
from thumbline.dsp.processor import Processor
from thumbline.dsp.rig import Rig
frames = np.zeros((3000, 6))
frames[200:, 5] = 0.2 * np.sin(2 * np.pi * 220 * np.arange(2800) / 22050)
out, events = Processor(Rig(), 22050).process(frames)
print(len(events), events["kind"].tolist(), events["frame"].tolist(), np.round(out.std(axis=0), 9).tolist())
"""

    def run(**environment: str) -> str:
        done = subprocess.run(
            [sys.executable, "-c", program],
            env={**os.environ, **environment},
            capture_output=True,
            text=True,
            check=False,
        )
        assert done.returncode == 0, done.stderr
        return done.stdout

    assert run(NUMBA_DISABLE_JIT="1") == run()
