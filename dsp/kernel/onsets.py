"""When a note begins: plucks of silent strings, and attacks on ringing ones.

A silent string begins to sound when its power over about a millisecond passes its threshold and stands above what the
loudest other string could leave behind after bleed removal, and above what may still ring of its own last note. On a
ringing string an attack shows as a sudden rise, or as a wave that no longer repeats itself (plucked again, hammered on,
pulled off).
"""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.confirmation import call_note, echoes_another, prove
from thumbline.dsp.kernel.first_partial import follow_partial
from thumbline.dsp.kernel.offsets import end_note
from thumbline.dsp.kernel.period import BEYOND, period_change, restart, shape_change
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import PLUCK
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BELIEVED, HOP, PLUCKED, SILENT, SOUNDING, UNPROVED
from thumbline.dsp.memory.tick_ring import decibels, frame_of, span_power

#: A rise of the quick level by this much over the last period is a new attack (power).
ATTACK = 10.0 ** (9 / 10)
#: What is held falls by about 6 dB per period: the logarithm of four.
HELD_FADE = 1.386
#: Where the beginning of an attack is looked for, in seconds, and what counts as quiet there (share of the threshold).
LONGEST_ATTACK_S = 0.03
QUIET = 0.1
#: For this long another mode may sound beside the string's and change its wave, in seconds.
ROUGH_S = 0.07
#: A pluck counts as a note after this many periods of the open string ...
SETTLED_PERIODS = 1.75
#: ... once it has this share of the evidence that makes it one.
SETTLED_SHARE = 0.5
#: A wave that differs from the last period by more than this is something new ...
CHANGE = 0.23
#: ... while it is louder than this share of the level it should still have (power).
CHANGED_LEVEL = 0.5
#: A wave is also new if its shape differs by more than this ...
RESHAPED = 0.15
#: ... from that of some time ago, in seconds: a string plucked again while it is damped changes slowly.
RESHAPED_S = 0.006
#: Its wave may have drifted by this much meanwhile, in ticks.
DRIFT = 2
#: Where no period is known, the last period is this share of the longest one.
UNKNOWN_SPAN = 0.7


@kernel
def detect_plucks(p: Record, st: Record) -> None:
    """Every tick: find plucks of silent strings, and follow the partials of sounding ones."""
    first = -1
    loudest = 0.0
    second = 0.0
    for s in range(p.strings):
        power = max(st.quick[s], st.level[s])
        if power > loudest:
            second = loudest
            loudest = power
            first = s
        elif power > second:
            second = power
    for s in range(p.strings):
        if st.strings[s].phase == SOUNDING:
            follow_partial(st.strings[s], st.low[s])
        if st.quick[s] > p.on_power[s] and st.strings[s].phase == SILENT:
            other = second if s == first else loudest
            if st.quick[s] > max(p.guard * other, st.strings[s].tail):
                start_note(p, st, s, onset_before(p, st, s, QUIET * p.on_power[s]))
        if st.strings[s].phase != SILENT and st.strings[s].proof == UNPROVED:
            prove(p, st, s)


@kernel
def start_note(p: Record, st: Record, s: int, onset: int) -> None:
    """A string has been plucked; it began to move at tick ``onset``."""
    string = st.strings[s]
    tick = st.tick
    string.note = 0
    string.pluck_tick = tick
    string.onset_tick = onset
    string.release_tick = onset
    string.peak = 0.0
    # A string that has the bass and is played again has no need to ask for it.
    if s != st.bass or string.proof != BELIEVED:
        string.proof = UNPROVED
    reset_note(p, st, s, onset)
    emit(st, frame_of(p, onset), st.frame, PLUCK, s + 1, decibels(st.quick[s]), 0.0, 0.0)


@kernel
def reset_note(p: Record, st: Record, s: int, onset: int) -> None:
    """Start level and pitch anew with the attack that set out at tick ``onset``."""
    string = st.strings[s]
    tick = st.tick
    string.phase = PLUCKED
    string.attack_tick = tick
    string.expected_level = st.quick[s]
    string.previous_quick = st.quick[s]
    string.recent_peak = st.quick[s]
    st.level[s] = st.quick[s]
    string.period = 0.0
    string.clarity = 0.0
    string.candidate = 0.0
    string.octave_sum = 0.0
    string.octave_count = 0.0
    string.alike = 0.0
    string.evidence = 0.0
    string.knock = 0
    string.late = 0.0
    string.jumps = 0
    restart(string, tick, onset, p.hop_mask[s], p.lag_max[s] + BEYOND + 1)


@kernel
def onset_before(p: Record, st: Record, s: int, enough: float) -> int:
    """Return the tick at which the present attack set out: just after the last quiet millisecond.

    A millisecond is quiet at a power of ``enough`` or less; where the last note still rings, its quietest moment must
    do. The touch of pick or finger before the release belongs to the attack.
    """
    string = st.strings[s]
    tick = st.tick
    span = p.short_ticks
    first = max(span, max(string.end_tick, tick - int(LONGEST_ATTACK_S * p.tick_rate)))
    quietest = st.quick[s]
    quietest_at = tick
    for at in range(tick, first - 1, -1):
        power = span_power(string, at + 1 - span, at + 1)
        if power <= enough:
            return at
        if power < quietest:
            quietest = power
            quietest_at = at
    return quietest_at


@kernel
def answer_attack(p: Record, st: Record, s: int) -> None:
    """Begin anew if a string that is not silent has just been plucked again, hammered on or pulled off."""
    string = st.strings[s]
    tick = st.tick
    quick = st.quick[s]
    span = string.period if string.period > 0.0 else UNKNOWN_SPAN * p.lag_max[s]
    sudden = quick > ATTACK * string.recent_peak
    string.recent_peak = max(string.recent_peak * span / (span + HELD_FADE * HOP), string.previous_quick)
    string.previous_quick = quick
    settled = string.note == 1 or has_settled(p, st, s)
    changed = (
        not sudden
        and settled
        and quick > max(p.on_power[s], CHANGED_LEVEL * string.expected_level)
        and tick - string.onset_tick > ROUGH_S * p.tick_rate
        and has_changed(p, st, s)
    )
    if string.note == 0 and settled and (sudden or changed) and not echoes_another(p, st, s):
        call_note(p, st, s)
    if string.note == 1:
        if sudden:
            onset = onset_before(p, st, s, QUIET * p.on_power[s])
        elif changed:
            onset = tick - 2 * p.short_ticks
        else:
            return
        end_note(p, st, s, onset)
        start_note(p, st, s, onset)
    elif sudden:
        if tick - string.onset_tick > LONGEST_ATTACK_S * p.tick_rate:
            end_note(p, st, s, tick - HOP)  # the sound before was something else
            start_note(p, st, s, tick - HOP)
        else:
            # The first sound was the pick or finger that touched the string.
            reset_note(p, st, s, max(string.restart_tick, tick - min(2 * p.short_ticks, p.lag_max[s] // 4)))
            if string.proof != BELIEVED:
                string.proof = UNPROVED


@kernel
def has_settled(p: Record, st: Record, s: int) -> bool:
    """Whether a pluck counts as a note: plucking it again now would end a note.

    A string with a long period cannot have proved more when it is played fast: its second period is not over yet.
    """
    string = st.strings[s]
    return (
        string.phase == SOUNDING
        and string.proof == BELIEVED
        and st.tick - string.attack_tick > max(SETTLED_PERIODS * p.open_period[s], LONGEST_ATTACK_S * p.tick_rate)
        and string.evidence > SETTLED_SHARE
    )


@kernel
def has_changed(p: Record, st: Record, s: int) -> bool:
    """Whether the wave no longer repeats what it was a period ago, or a while ago."""
    string = st.strings[s]
    span = 2 * p.short_ticks
    if period_change(string, st.tick, span, CHANGE, st.level[s]) > CHANGE:
        return True
    reach = int(RESHAPED_S * p.tick_rate)
    return shape_change(string, st.tick, span, reach, DRIFT, RESHAPED, st.level[s]) > RESHAPED
