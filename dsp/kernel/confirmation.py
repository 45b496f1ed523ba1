"""Whether a pluck is believed, and whether it was a note.

The bass passes to a string soon after its pluck, long before a period of a low string has gone by: a damped string
cannot be told from a free one then. What can be told is a knock on the body, which all strings hear at once and alike.
A pluck that dies like a thump, or has no pitch when it should, is believed no longer, and the bass goes back.

What a thump leaves behind is listened to by itself: a note may have begun under it.

It is a *note* when its pitch stays, it does not die like a thump, and it is not another string's.
"""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.first_partial import partial_period
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import NOTE
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BELIEVED, DOUBTED, LANES, PLUCKED, SILENT, UNPROVED
from thumbline.dsp.memory.tick_ring import decibels, frame_of, place_of, span_power

#: Two strings carry the same sound if their waves are at least this much alike (squared correlation) ...
ECHO_LIKENESS = 0.95**2
#: ... the other one is at least this loud beside the one in question (power) ...
ECHO_LEVEL = 10.0 ** (-6 / 10)
#: ... and both hold for this long, in seconds.
ECHO_S = 0.01
#: A knock is this much alike (squared correlation) on at least half of the other strings ...
KNOCK_LIKENESS = 0.8
#: ... where it is no weaker than this (power) ...
KNOCK_LEVEL = 10.0 ** (-14 / 10)
#: ... over this time since the quiet before it, in seconds.
KNOCK_S = 0.0025
#: While a pluck is still listened to because the rig asks for it (``choice.proof_ms``), what has lost this much (power)
#: is not believed.
THUMP = 10.0 ** (-8 / 10)
#: Evidence of a note, 0 to 1, below which a pluck may be doubted.
LIKELY = 0.05
#: It is doubted once it has fallen this far (power) ...
GONE = 10.0 ** (-20 / 10)
#: ... or this far (power), if it has no pitch by the time that the next two give.
FALLING = 10.0 ** (-3 / 10)
#: A pitch is due after this many periods of the lowest note ...
PITCH_DUE = 2.5
#: ... and after this time, in seconds.
PITCH_DUE_S = 0.026
#: Evidence is due after this time from the pluck, in seconds, or after as many periods.
EVIDENCE_DUE_S = 0.036
#: Evidence is due after this time from the release, in seconds, if the string was touched before it ...
TOUCHED_DUE_S = 0.030
#: ... for this long at least, in seconds.
TOUCH_S = 0.01


@kernel
def prove(p: Record, st: Record, s: int) -> None:
    """Every tick: believe a pluck, or doubt it, when it has been listened to for long enough."""
    string = st.strings[s]
    if string.past_touch_tick < string.pluck_tick and (
        st.quick[s] > p.strong_power[s] or st.tick - string.pluck_tick >= p.faint_ticks
    ):
        string.past_touch_tick = st.tick
    if string.past_touch_tick >= string.pluck_tick and st.tick - string.past_touch_tick >= p.proof_ticks:
        if is_knock(p, st, s):
            string.knock = 1
            string.proof = DOUBTED
        else:
            believe(st, s)


@kernel
def believe(st: Record, s: int) -> None:
    """From now on the bass may pass to the string."""
    st.strings[s].proof = BELIEVED
    st.strings[s].proof_tick = st.tick


@kernel
def doubt(p: Record, st: Record, s: int) -> None:
    """Every hop: no longer believe a pluck without a pitch that is due, or that has all but gone.

    It is listened to all the same, and may still turn out to be a note.
    """
    string = st.strings[s]
    if string.note == 1 or string.proof == DOUBTED:
        return
    pitch_due = PITCH_DUE * p.lag_max[s]
    since, due_s = string.proof_tick, EVIDENCE_DUE_S
    if string.attack_tick - string.proof_tick > TOUCH_S * p.tick_rate:
        since, due_s = string.attack_tick, TOUCHED_DUE_S
    late = st.tick - since > max(pitch_due, due_s * p.tick_rate)
    if string.phase == PLUCKED:
        late = late or st.tick - string.attack_tick > max(pitch_due, PITCH_DUE_S * p.tick_rate)
    asked = string.proof == UNPROVED and p.proof_ticks > 0
    if string.evidence < LIKELY and st.level[s] < (FALLING if late else THUMP if asked else GONE) * string.peak:
        string.proof = DOUBTED


@kernel
def is_knock(p: Record, st: Record, s: int) -> bool:
    """Whether most strings hear the same at the same time.

    Asked of the strings before the analysis filters, which differ from string to string; of their changes, so that hum
    counts little.
    """
    step = p.decimation
    own = 0.0
    for v in range(LANES):
        st.alike[v] = 0.0
        st.theirs[v] = 0.0
    for age in range(int(KNOCK_S * p.tick_rate)):
        new, old = (st.frame - age * step) & p.past_mask, (st.frame - age * step - step) & p.past_mask
        mine = float(st.past[new, s]) - st.past[old, s]
        own += mine * mine
        for v in range(LANES):
            other = float(st.past[new, v]) - st.past[old, v]
            st.alike[v] += mine * other
            st.theirs[v] += other * other
    count = 0
    for v in range(p.strings):
        if st.theirs[v] > KNOCK_LEVEL * own and st.alike[v] ** 2 > KNOCK_LIKENESS * own * st.theirs[v]:
            count += 1
    return 2 * (count - 1) >= p.strings - 1  # one of them is the string itself


@kernel
def confirm(p: Record, st: Record, s: int) -> None:
    """Call a pluck a note when there is evidence enough, if it is its own."""
    string = st.strings[s]
    if string.evidence >= 1.0:
        if echoes_another(p, st, s):
            string.evidence = 0.0
            return
        call_note(p, st, s)


@kernel
def call_note(p: Record, st: Record, s: int) -> None:
    """From now on the pluck is a note."""
    string = st.strings[s]
    string.note = 1
    string.onset_tick = string.release_tick
    if string.late > 0.0:
        string.peak = st.level[s]
    if string.proof == DOUBTED:
        believe(st, s)
    hz = p.tick_rate / partial_period(string)
    emit(st, frame_of(p, string.onset_tick), st.frame, NOTE, s + 1, hz, decibels(string.peak), 0.0)


@kernel
def echoes_another(p: Record, st: Record, s: int) -> bool:
    """Whether the wave is that of another string about as loud or louder: bleed, or a knock that all strings hear."""
    newest = place_of(st.tick)
    span = int(ECHO_S * p.tick_rate)
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
