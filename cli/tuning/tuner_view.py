"""What there is to see while the player tunes."""

import math
import time
from dataclasses import dataclass

from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.tuner.tuner import Tuner

#: The last reading is shown for so long when the string has gone, or is plucked anew, in seconds.
SHOWN_S = 2.0


@dataclass(frozen=True)
class TunerView:
    """The string that is being tuned; ``note`` is empty while none sounds."""

    string: int = 0
    note: str = ""
    cents: float = 0.0  #: from where that note is to be on this string
    hz: float = 0.0
    rests: bool = False  #: whether tenths of a cent mean something
    offset_cents: float = 0.0  #: of that string, as the rig says


class TunerListener:
    """Listens to the memory of the live processor while the player tunes."""

    def __init__(self, live: Record) -> None:
        self._live, self._tuner = live, Tuner()
        self._last, self._last_s = TunerView(), -math.inf

    def view(self, rig: Rig) -> TunerView | None:
        """Return what there is to see now; None while nobody tunes."""
        if not self._live.request.tuner:
            return None
        found, now_s = self._tuner.look(self._live, rig), time.monotonic()
        if found is not None:
            offset = rig.tuner.offsets_cents[found.string - 1]
            self._last = TunerView(found.string, found.note, found.cents, found.hz, found.rests, offset)
            self._last_s = now_s
        return self._last if now_s - self._last_s < SHOWN_S else TunerView()
