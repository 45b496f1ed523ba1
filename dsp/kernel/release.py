"""When a string is let go: the date of a note, which is later than the touch by which its pluck was found.

A pick or a finger lies on the string for up to 30 ms before it lets go, and is heard 20 to 35 dB below the note. A
pluck is found as soon as it passes its threshold, which may be then; the bass passes on no later for that. The note is
dated once it is known how loud it has become: from where it first comes near a tenth of its greatest amplitude, the
level at which a pulse is held to begin (the proximal line of IEEE Std 181-2011, from memory; also a common start of an
attack: Peeters et al., "The Timbre Toolbox", JASA 130, 2011, from memory), back to where that rise sets out.
"""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.tick_ring import span_power

#: For so long after its pluck a string may become louder before it is dated, in seconds: a touch, and a period more.
GROWING_S = 0.045
#: A millisecond this far below the loudest one belongs to the release (power) ...
RELEASED = 10.0 ** (-24 / 10)
#: ... whose rise set out where it was this far below (power) ...
RISING = 10.0 ** (-30 / 10)
#: ... no longer before than this, in seconds.
RISE_S = 0.002


@kernel
def date_release(p: Record, st: Record, s: int) -> None:
    """Every hop of a pluck that is not a note yet: date where its string was let go, as far as can be heard by now."""
    string = st.strings[s]
    tick = st.tick
    if tick - string.onset_tick > GROWING_S * p.tick_rate:
        return
    span = p.short_ticks
    loudest = 0.0
    for at in range(string.onset_tick, tick + 1):
        loudest = max(loudest, span_power(string, at + 1 - span, at + 1))
    at = string.onset_tick
    while span_power(string, at + 1 - span, at + 1) < RELEASED * loudest:
        at += 1
    first = max(string.onset_tick, at - int(RISE_S * p.tick_rate))
    while at > first and span_power(string, at - span, at) > RISING * loudest:
        at -= 1
    # Within the window's own length the two dates are the same; that of the pluck is from closer by.
    string.release_tick = at if at - string.onset_tick > span else string.onset_tick
