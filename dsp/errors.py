"""What the user can mend."""


class InputError(Exception):
    """A file, setting or argument that cannot be used.

    The message is one line that names the thing, the value received and what is accepted; the command line
    prints it as it stands and exits with code 2, and a notebook shows it in place of a traceback.
    """

    def _render_traceback_(self) -> list[str]:
        """Return what IPython shows of this error."""
        return [str(self)]
