"""Whether a pluck was a note: its pitch stays, it does not die like a thump, and it is no other string's."""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.event_ring import emit
from thumbline.dsp.partial import partial_period
from thumbline.dsp.records import NOTE, SILENT, SOUNDING, TICKS, Record
from thumbline.dsp.spans import decibels, frame_of, span_power

#: A pluck that has lost this much before it is confirmed was a thump (power).
THUMP = 10.0 ** (-8 / 10)
#: Clarity that a note must keep until it is confirmed,
CONFIRM_CLARITY = 0.88
#: and how far its pitch may move meanwhile.
ANCHOR_STEP = 2.0 ** (60 / 1200)
#: Another string's wave is this much alike (squared correlation) and at least this loud (power) if it is the same
#: sound.
ECHO_LIKENESS, ECHO_LEVEL = 0.95**2, 10.0 ** (-6 / 10)


@kernel
def confirm(p: Record, st: Record, s: int) -> None:
    """Call a pluck a note when its pitch has stayed and its level has not fallen like a thump's, if it is its own."""
    string = st.strings[s]
    if string.phase != SOUNDING or string.note == 1:
        return
    moved = max(string.period / string.anchor, string.anchor / string.period) > ANCHOR_STEP
    if moved or string.clarity < CONFIRM_CLARITY or st.level[s] < THUMP * string.peak:
        string.anchor = string.period
        string.anchor_tick = st.tick
    elif st.tick - string.anchor_tick >= p.confirm_ticks:
        if echoes_another(p, st, s):
            string.anchor_tick = st.tick
            return
        string.note = 1
        hz = p.tick_rate / partial_period(string)
        emit(st, frame_of(p, string.onset_tick), st.frame, NOTE, s + 1, hz, decibels(string.peak), 0.0)


@kernel
def echoes_another(p: Record, st: Record, s: int) -> bool:
    """Whether the wave is that of another string about as loud or louder: bleed, or a knock that all strings hear."""
    newest = TICKS - 1 - (st.tick & (TICKS - 1))
    span = int(0.01 * p.tick_rate)
    own = span_power(st.strings[s], st.tick + 1 - span, st.tick + 1) * span
    for other in range(p.strings):
        if other == s or st.strings[other].phase == SILENT:
            continue
        theirs = span_power(st.strings[other], st.tick + 1 - span, st.tick + 1) * span
        product = 0.0
        for age in range(span):
            product += st.strings[s].ticks[newest + age] * st.strings[other].ticks[newest + age]
        if theirs > ECHO_LEVEL * own and product * product > ECHO_LIKENESS * own * theirs:
            return True
    return False
