"""What the user can mend, said in one line."""

import os


def printable(text: str | os.PathLike[str]) -> str:
    r"""Return text or a path fit for a one-line message: control characters and undecodable bytes are escaped.

    >>> printable("two\nlines")
    'two\\nlines'
    """
    return "".join(c if c.isprintable() else c.encode("unicode_escape").decode("ascii") for c in os.fspath(text))


class InputError(Exception):
    """A file, setting or argument that cannot be used.

    The message is one line that names the thing, the value received and what is accepted; whatever it quotes, control
    characters are escaped. The command line prints it as it stands and exits with code 2, and a notebook shows it in
    place of a traceback.
    """

    def __init__(self, message: str = "") -> None:
        super().__init__(printable(message))

    def _render_traceback_(self) -> list[str]:
        """Return what IPython shows of this error."""
        return [str(self)]


class OutputError(InputError):
    """Where results go cannot be used: the disk is full, the folder may not be written.

    What is wrong is not the take that was being worked on, so the next one would fare no better.
    """
