"""The page itself: one HTML document that asks for no other file, and the headers that hold a browser to that."""

import base64
import hashlib
from importlib.resources import files

#: Sources, in the order in which they are put together.
SCRIPTS = ("fit.js", "draw.js", "tuner.js", "awake.js", "link.js", "stage.js")


class Document:
    """The document and its headers; made once, since nothing in it depends on who asks."""

    def __init__(self) -> None:
        folder = files("thumbline.cli.page") / "web"
        style = (folder / "page.css").read_text("utf-8")
        script = '"use strict";\n' + "\n".join((folder / name).read_text("utf-8").strip() for name in SCRIPTS)
        parts = {"style": style, "script": script}
        pieces = (folder / "page.html").read_text("utf-8").split("@@")
        self.body = "".join(parts[piece] if i % 2 else piece for i, piece in enumerate(pieces)).encode()
        self._style, self._script = _digest(style), _digest(script)

    def headers(self, host: str) -> list[tuple[str, str]]:
        """Return the headers for a browser that calls this computer ``host``."""
        # Some browsers do not take "self" for the socket of the same server (CSP Level 3, 6.7.2.8, says they should).
        policy = (
            f"default-src 'none'; script-src {self._script}; style-src {self._style}; connect-src 'self' ws://{host}; "
            "img-src data:; base-uri 'none'; form-action 'none'; frame-ancestors 'none'"
        )
        return [
            ("Content-Type", "text/html; charset=utf-8"),
            ("Content-Length", str(len(self.body))),
            ("Content-Security-Policy", policy),
            ("X-Content-Type-Options", "nosniff"),
            ("X-Frame-Options", "DENY"),
            ("Referrer-Policy", "no-referrer"),
            ("Cross-Origin-Resource-Policy", "same-origin"),
            ("Cross-Origin-Opener-Policy", "same-origin"),
            ("Permissions-Policy", "screen-wake-lock=(self), camera=(), microphone=(), geolocation=()"),
            ("Cache-Control", "no-store"),
            ("Connection", "close"),
        ]


def _digest(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"
