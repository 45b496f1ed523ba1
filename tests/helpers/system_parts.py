"""Programs of the system that some tests need: without one they are skipped, but not where all must run."""

import os
import shutil

import pytest


def need(program: str) -> str:
    """Return the path of ``program``, or skip the test; fail it if the environment variable CI is set."""
    path = shutil.which(program)
    if path is not None:
        return path
    if os.environ.get("CI"):
        pytest.fail(f"{program} is not installed")
    pytest.skip(f"needs {program}")
