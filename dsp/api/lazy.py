"""Public names of a package that are loaded when they are first used (PEP 562)."""

from collections.abc import Mapping
from importlib import import_module
from typing import Any


def load(package: str, homes: Mapping[str, str], name: str) -> Any:
    """Return a public name of ``package`` and keep it there; ``homes`` says in which module of it each name is.

    Raises AttributeError for a name without a home.
    """
    if name not in homes:
        raise AttributeError(f"module {package!r} has no attribute {name!r}")
    value = getattr(import_module(f"{package}.{homes[name]}"), name)
    setattr(import_module(package), name, value)
    return value
