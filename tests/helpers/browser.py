"""A browser for tests of pages."""

from collections.abc import Iterator
from contextlib import contextmanager
from typing import Any

import pytest

from tests.helpers.system_parts import need

#: Longest time in which anything on a page must happen on a busy machine, ms.
PATIENCE_MS = 20_000


@contextmanager
def chromium(*options: str) -> Iterator[Any]:
    """Run Chromium, without a sandbox of its own, as root must."""
    program = need("chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    with playwright.sync_playwright() as run:
        browser = run.chromium.launch(executable_path=program, args=["--no-sandbox", *options])
        yield browser
        browser.close()
