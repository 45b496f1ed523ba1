"""What is wrong with a rig, in one line: pydantic's errors put in the words of the table of settings."""

import re
from functools import cache

from pydantic import ValidationError
from pydantic_core import ErrorDetails

from thumbline.dsp.rig.catalogue import (
    accepted,
    all_sections,
    all_settings,
    suggestion,
    toml_like,
    without_indices,
)
from thumbline.dsp.rig.checks import ContradictionError

MOST_NAMED = 2
"""Faults spelt out in one message; the rest are counted."""


def explain_errors(error: ValidationError) -> str:
    """Return one line that names each setting that was refused, the value received and what is accepted."""
    deepest: dict[str, tuple[int, str, ErrorDetails]] = {}
    for details in error.errors(include_url=False):
        cause = details.get("ctx", {}).get("error")
        if isinstance(cause, ContradictionError):
            return _joined(cause.sentences[:MOST_NAMED], len(cause.sentences) - MOST_NAMED)
        # A union reports an error for each of its branches; the one that got furthest is what was meant.
        path = _path(details)
        depth, setting = path.count("["), without_indices(path)
        if setting not in deepest or depth > deepest[setting][0]:
            deepest[setting] = depth, path, details
    named = [_sentence(path, details) for _, path, details in list(deepest.values())[:MOST_NAMED]]
    return _joined(named, len(deepest) - len(named))


def _joined(sentences: list[str], more: int) -> str:
    return "; also ".join(sentences) + (f"; and {more} more" if more > 0 else "")


@cache
def _known() -> frozenset[str]:
    """Every part of a key."""
    return frozenset(name for key in [*all_sections(), *all_settings()] for name in key.split("."))


def _path(details: ErrorDetails) -> str:
    """Write the place of an error as a key path, without pydantic's names for the branches of a union."""
    known = _known()
    *outer, last = details["loc"]
    kept = [part for part in outer if isinstance(part, int) or part in known]
    if isinstance(last, int) or last in known or details["type"] == "extra_forbidden":
        kept.append(last)
    return "".join(f"[{part}]" if isinstance(part, int) else f".{_key(part)}" for part in kept).removeprefix(".")


def _key(name: str) -> str:
    return name if re.fullmatch(r"[\w-]{1,60}", name) else toml_like(name)


def _sentence(path: str, details: ErrorDetails) -> str:
    setting = all_settings().get(without_indices(path))
    if details["type"] == "extra_forbidden" or (setting is None and without_indices(path) not in all_sections()):
        return f"{path} is not a setting; {suggestion(without_indices(path))}"
    lists_deep = path.count("[", path.rfind("."))
    wanted = accepted(setting.annotation, lists_deep) if setting else "a table of settings"
    return f"{path} is {toml_like(details['input'])}; accepted: {wanted}"
