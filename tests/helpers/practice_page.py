"""Questions to a practice page that is open in a browser."""

from typing import Any


def state(page: Any) -> dict[str, Any]:
    return page.evaluate("practice.state()")


def until(page: Any, condition: str) -> None:
    page.wait_for_function(f"(() => {{ const s = practice.state(); return {condition}; }})()")
