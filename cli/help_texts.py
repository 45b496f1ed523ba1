"""Help where Python has thrown away docstrings (``-OO``, ``PYTHONOPTIMIZE=2``): read from the sources."""

import ast
import inspect
import sys
from pathlib import Path

import click


def restore(command: click.Command) -> click.Command:
    """Give a command, and those below it, the help that their functions' docstrings hold; returns the command."""
    if sys.flags.optimize >= 2:
        _restore(command)
    return command


def _restore(command: click.Command) -> None:
    if command.help is None and command.callback is not None:
        command.help = _docstring(inspect.unwrap(command.callback))
    for below in getattr(command, "commands", {}).values():
        _restore(below)


def _docstring(function: object) -> str | None:
    code = getattr(function, "__code__", None)
    if code is None or not Path(code.co_filename).is_file():
        return None
    for node in ast.walk(ast.parse(Path(code.co_filename).read_text("utf-8"))):
        if isinstance(node, ast.FunctionDef) and node.name == code.co_name:
            return ast.get_docstring(node)
    return None
