"""Who is let in: codes that work once, tickets for screens that have been let in, and how much anybody may ask.

The limits follow NIST SP 800-63B (2017, 2020): a code of at least 6 digits that works once (5.1.3.2), and at most 100
wrong ones in a row (5.2.2); quoted from memory.
"""

import hashlib
import hmac
import secrets
import time
from collections import OrderedDict
from collections.abc import Callable

#: Digits of a code.
DIGITS = 8
#: Wrong codes of everybody together, after which no code works any more.
MOST_WRONG = 100
#: Wrong codes that one address may try at once, and how many more per second.
TRIES, TRIES_PER_S = 5.0, 1.0 / 30.0
#: Addresses that are remembered.
ADDRESSES = 1000


class Bucket:
    """So much at once, and so much more per second; what is beyond that is refused."""

    def __init__(self, most: float, per_s: float) -> None:
        self._most, self._per_s = most, per_s
        self._left, self._at_s = most, time.monotonic()

    @property
    def has_one(self) -> bool:
        """Whether one is left."""
        now = time.monotonic()
        self._left = min(self._left + self._per_s * (now - self._at_s), self._most)
        self._at_s = now
        return self._left >= 1.0

    def take(self) -> bool:
        """Take one; False if none is left."""
        has_one = self.has_one
        self._left -= has_one
        return has_one


class Buckets:
    """A bucket for each address; the addresses heard last are remembered."""

    def __init__(self, most: float, per_s: float) -> None:
        self._size = most, per_s
        self._of: OrderedDict[str, Bucket] = OrderedDict()

    def of(self, address: str) -> Bucket:
        """Return the bucket of ``address``."""
        bucket = self._of.setdefault(address, Bucket(*self._size))
        self._of.move_to_end(address)
        if len(self._of) > ADDRESSES:
            self._of.popitem(last=False)
        return bucket


class Door:
    """Lets a screen in that knows the code of the moment, or has been let in before.

    A code works once: then another one is made, and ``tell`` is called with it, or with "" when none works any more.
    A ticket is good for this run, whichever process serves the page: it is signed with ``key``, which nobody else
    knows.
    """

    def __init__(self, key: bytes, tell: Callable[[str], None]) -> None:
        self._key, self._tell = key, tell
        self._tries = Buckets(TRIES, TRIES_PER_S)
        self.wrong = 0  #: wrong codes so far
        self.code = _new_code()  #: lets one more screen in; the first one is not told

    @property
    def is_locked(self) -> bool:
        """Whether no code works any more, because too many wrong ones have been tried."""
        return self.wrong >= MOST_WRONG

    def enter(self, code: str, address: str) -> str:
        """Return a ticket for the right code, or else "". Raises TooManyError if nobody may try any more."""
        tries = self._tries.of(address)
        if self.is_locked or not tries.has_one:
            raise TooManyError
        digits = "".join(code.split())
        if not hmac.compare_digest(digits.encode(errors="replace"), self.code.encode()):
            tries.take()
            self.wrong += 1
            if self.is_locked:
                self.code = ""
                self._tell("")
            return ""
        self.wrong = 0
        self.code = _new_code()
        self._tell(self.code)
        name = secrets.token_hex(8)
        return f"{name}.{self._signed(name)}"

    def knows(self, ticket: str) -> bool:
        """Whether a ticket was made in this run."""
        name, _, signed = ticket.partition(".")
        return hmac.compare_digest(signed.encode(errors="replace"), self._signed(name).encode())

    def _signed(self, name: str) -> str:
        return hmac.new(self._key, name.encode(errors="replace"), hashlib.sha256).hexdigest()


def _new_code() -> str:
    return f"{secrets.randbelow(10**DIGITS):0{DIGITS}d}"


class TooManyError(Exception):
    """Nobody may try at the moment, or any more."""
