"""The layers of both packages: every contract of pyproject.toml is kept."""

import os
import shutil
import subprocess
import sys
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[1]


def test_every_contract_is_kept() -> None:
    linter = shutil.which("lint-imports", path=Path(sys.executable).parent)
    if linter is None:
        pytest.skip("needs import-linter (pip install import-linter)")
    # An editable install finds the two parts of the namespace package by hooks that the linter does not run.
    names = os.environ | {"PYTHONPATH": str(ROOT / "tests" / "linked")}
    done = subprocess.run(
        [linter, "--no-logo", "--no-cache"], cwd=ROOT, env=names, capture_output=True, text=True, check=False
    )
    assert done.returncode == 0, done.stdout
    assert "0 broken" in done.stdout
