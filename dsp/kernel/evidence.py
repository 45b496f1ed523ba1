"""How likely it is that a pluck is a note: it holds a pitch, whatever its level does.

How loud a short note is after its attack tells little: palm-muted notes fall as fast as some knocks. A note repeats
itself, though, with a period that stays, and a knock hardly does. So a pluck collects *evidence* as long as its pitch
agrees with what it was: soon where the wave repeats itself closely, later where it does less so. At 1 it is a note.

Three observations, hop by hop:

*Likeness*: the normalised correlation of the newest waves with those one period before. Unlike the normalised
difference, by which the period is found, it does not ask that both be equally loud, so a note that dies away fast is
as alike as one that rings.

*Fall*: what dies faster than any played note rings out, in dB per second, says nothing for a note; a damped string
may be pitched, but is gone before it can be heard as a note.

*Lateness*: a pitch that appears only when a pluck has fallen far below its peak, or after a knock that most strings
heard, may be what that set ringing: it must stay for longer, and keep its level.
"""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HOP, SOUNDING
from thumbline.dsp.memory.tick_ring import span_energy, span_power

#: How far the pitch may move while it is said to agree (60 cents).
AGREEMENT = 2.0 ** (60 / 1200)
#: In a rough attack the reading slides to the pitch: what it must agree with follows over this time, in seconds.
CONVERGE_S = 0.015
#: Likeness from which on a wave speaks for a note.
ALIKE = 0.8
#: Likeness from which on it could not do so more clearly.
CLOSELY_ALIKE = 0.99
#: Time after which a pitch that agrees is a note at the lower likeness, in seconds ...
AGREED_S = 0.018
#: ... and at the higher one, in seconds ...
CLOSELY_AGREED_S = 0.011
#: ... but no sooner than after this many periods.
PERIODS = 1.0
#: Without likeness, evidence is gone after this time, in seconds.
FORGOTTEN_S = 0.04
#: A fall of no more than this speaks for a note, in dB per second.
FASTEST_NOTE_DB_S = 550.0
#: A fall of more than this speaks against one, in dB per second.
THUMP_DB_S = 690.0
#: The fall is measured over this time at least, in seconds.
FALL_S = 0.002
#: A pitch that appears this far below the peak is late (power).
LATE = 10.0 ** (-17 / 10)
#: A late pitch must agree for this long, in seconds ...
LATE_S = 0.084
#: ... and fall by no more than this meanwhile (power).
LATE_LOSS = 10.0 ** (-3 / 10)
#: Each time the pitch of a pluck has turned out to be another one, it must agree for this much longer (share) ...
DOUBT_PER_JUMP = 0.5
#: ... up to this many times.
MOST_JUMPS = 4


@kernel
def weigh(p: Record, st: Record, s: int) -> None:
    """Every hop of a pluck that is not yet a note: let its pitch so far speak for or against it."""
    string = st.strings[s]
    if string.phase != SOUNDING:
        string.evidence = 0.0
        return
    hop_s = HOP / p.tick_rate
    if max(string.period / string.anchor, string.anchor / string.period) > AGREEMENT:
        expect_pitch(string)
    string.anchor += min(hop_s / CONVERGE_S, 1.0) * (string.period - string.anchor)
    if string.alike < ALIKE:
        string.evidence = max(string.evidence - hop_s / FORGOTTEN_S, 0.0)
        return
    fall = fall_db_s(p, string, st.tick)
    if string.late > 0.0:
        if st.level[s] < LATE_LOSS * string.late:
            string.late = st.level[s]
            string.evidence = 0.0
        string.evidence += hop_s / (LATE_S * p.patience)
        return
    if fall >= FASTEST_NOTE_DB_S:
        if fall >= THUMP_DB_S:
            string.evidence = max(string.evidence - hop_s / AGREED_S, 0.0)
        return
    close = min((string.alike - ALIKE) / (CLOSELY_ALIKE - ALIKE), 1.0)
    due_s = AGREED_S * (CLOSELY_AGREED_S / AGREED_S) ** close
    due_s *= p.patience * (1.0 + DOUBT_PER_JUMP * min(string.jumps, MOST_JUMPS))
    string.evidence += hop_s / max(due_s, PERIODS * string.period / p.tick_rate)


@kernel
def expect_pitch(string: Record) -> None:
    """From now on the pitch must agree with the string's present period."""
    if max(string.period / string.anchor, string.anchor / string.period) > AGREEMENT:
        string.jumps += 1
    string.anchor = string.period
    string.evidence = 0.0
    string.octave_sum = 0.0
    string.octave_count = 0.0


@kernel
def likeness(string: Record, tick: int, period: float, clarity: float) -> float:
    """Normalised correlation (1: the same but for its loudness) of the newest waves with those a period before.

    0 where the newest ``period`` is not that of the string.
    From ``clarity``, which is their normalised difference: with the energies a and b of both,
    clarity = 2 r / (a + b), likeness = r / sqrt(a b).
    """
    if string.period <= 0.0 or max(period / string.period, string.period / period) > AGREEMENT:
        return 0.0
    back = int(string.period + 0.5)
    end = (tick + 1) // HOP * HOP
    first = max(end - string.window_hops * HOP, string.restart_tick + back)
    newer = span_energy(string, first, end)
    older = span_energy(string, first - back, end - back)
    if first >= end or newer <= 0.0 or older <= 0.0:
        return clarity
    return min(0.5 * clarity * (newer + older) / math.sqrt(newer * older), 1.0)


@kernel
def fall_db_s(p: Record, string: Record, tick: int) -> float:
    """Return how fast the level falls from one period to the next, in dB per second; 0 while that is not known."""
    span = max(int(string.period + 0.5), int(FALL_S * p.tick_rate))
    if tick + 1 - 2 * span < string.restart_tick:
        return 0.0
    before = span_power(string, tick + 1 - 2 * span, tick + 1 - span)
    now = span_power(string, tick + 1 - span, tick + 1)
    return 10.0 * math.log10((before + 1.0) / (now + 1.0)) * p.tick_rate / span
