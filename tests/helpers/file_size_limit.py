"""A disk that is full after so many bytes of a file, for any user."""

import sys
from collections.abc import Iterator
from contextlib import contextmanager

import pytest

needs_limits = pytest.mark.skipif(sys.platform == "win32", reason="no limits on the size of files, no users")


@contextmanager
def no_file_larger_than(size: int) -> Iterator[None]:
    """Writing beyond ``size`` bytes fails, as on a full disk."""
    import resource

    soft, hard = resource.getrlimit(resource.RLIMIT_FSIZE)
    resource.setrlimit(resource.RLIMIT_FSIZE, (size, hard))
    try:
        yield
    finally:
        resource.setrlimit(resource.RLIMIT_FSIZE, (soft, hard))
