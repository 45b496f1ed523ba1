"""What each string is doing: silent, plucked, sounding; and when each note begins and ends.

A string begins to sound when its power over about a millisecond passes its threshold and stands above what the loudest
other string could leave behind after bleed removal. That is the *pluck*, and the bass may pass to the string at once.
Whether the pluck was a *note* is known later: its pitch has been found, and it has not died away the way a damped
string or a knock on the body does. A note ends when its level falls below the lower threshold, or falls faster than any
string rings out. A note that begins on a ringing string (plucked again, hammered on, pulled off) shows as a wave that
no longer repeats itself.
"""

import math

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.event_ring import emit
from thumbline.dsp.partial import aim, follow_partial, measure_stretch, partial_period
from thumbline.dsp.pitch import follow, normalised_difference, pick_period, restart, unlike_last_period
from thumbline.dsp.records import (
    ANALYSIS_STEP,
    END,
    HOP,
    LOCK,
    NOTE,
    PITCH,
    PLUCK,
    PLUCKED,
    SILENT,
    SOUNDING,
    TICKS,
)
from thumbline.dsp.spans import span_power

#: Clarity that a first period must have.
LOCK_CLARITY = 0.86
#: Clarity below which a period is not taken over while the string sounds.
KEEP_CLARITY = 0.6
#: A step of more than this ratio is a new note, not a bend (70 cents).
NOTE_STEP = 2.0 ** (70 / 1200)
#: A string left to itself does not fade faster than this.
FASTEST_FADE_DB_S = 200.0
#: A pluck without a pitch is given up after this time and three periods of the lowest note, in seconds.
NOISE_S = 0.06
#: What has fallen this far below the level it should still have is stopped (power).
STOPPED = 10.0 ** (-18 / 10)
#: A note that has faded this far below its own peak is over (power).
FADED = 10.0 ** (-36 / 10)
#: Where the end of a stopped note is dated: the last tick louder than this (power).
END_SHARE = 10.0 ** (-20 / 10)
#: A pluck that has lost this much before it is confirmed was a thump (power).
THUMP = 10.0 ** (-8 / 10)
#: Clarity that a note must keep until it is confirmed,
CONFIRM_CLARITY = 0.88
#: and how far its pitch may move meanwhile.
ANCHOR_STEP = 2.0 ** (60 / 1200)
#: Another string's wave is this much alike (squared correlation) and at least this loud (power) if it is the same sound.
ECHO_LIKENESS, ECHO_LEVEL = 0.95**2, 10.0 ** (-6 / 10)
#: A new pluck must stand above what may still ring of the last note, or thump, by this much (power) ...
ABOVE_TAIL, ABOVE_THUMP = 10.0 ** (3 / 10), 10.0 ** (12 / 10)
#: ... which is the loudest millisecond of a note's last period; what a thump leaves may hum on and fade this slowly, in dB
#: a second.
THUMP_FADE_DB_S = 60.0
#: A rise of the quick level by this much over the last period is a new attack (power).
ATTACK = 10.0 ** (9 / 10)
#: Where the beginning of an attack is looked for, in seconds, and what counts as quiet there (share of the threshold).
LONGEST_ATTACK_S = 0.03
QUIET = 0.1
#: How unlike the last period a wave must be to be something new.
CHANGE = 0.3


@kernel
def decibels(power: float) -> float:
    """Power in analysis steps squared, as dBFS (rms)."""
    return 10.0 * math.log10(power * ANALYSIS_STEP * ANALYSIS_STEP + 1e-20)


@kernel
def frame_of(p: np.void, tick: int) -> int:
    """The frame that completes ``tick``, less the delay of the decimation filter."""
    return max(0, (tick + 1) * p.decimation - 1 - (p.taps - 1) // 2)


@kernel
def hear(p: np.void, st: np.void) -> None:
    """Every tick: find plucks of silent strings, and follow the partials of sounding ones."""
    if st.tick < p.hum_ticks:
        return
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
                _begin(p, st, s, _onset_before(p, st, s, QUIET * p.on_power[s]))


@kernel
def rest(p: np.void, st: np.void, s: int) -> None:
    """Every hop: let what may still ring of the last note of a silent string fall as the signal falls."""
    string = st.strings[s]
    if string.tail < p.on_power[s]:
        string.tail = 0.0
        return
    if string.tail_span == 0:
        string.tail *= 10.0 ** (-0.1 * THUMP_FADE_DB_S * HOP / p.tick_rate)
        return
    span = p.short_ticks
    end = st.tick + 1
    loudest = 0.0
    first = end - max(string.tail_span, span)
    while end > first:
        loudest = max(loudest, span_power(string, end - span, end))
        end -= span
    string.tail = min(string.tail, ABOVE_TAIL * loudest)


@kernel
def _begin(p: np.void, st: np.void, s: int, onset: int) -> None:
    """A string has been plucked; it began to move at tick ``onset``."""
    string = st.strings[s]
    tick = st.tick
    string.note = 0
    string.pluck_tick = tick
    string.onset_tick = onset
    string.peak = 0.0
    _forget(p, st, s, onset)
    emit(st, frame_of(p, onset), st.frame, PLUCK, s + 1, decibels(st.quick[s]), 0.0, 0.0)


@kernel
def _forget(p: np.void, st: np.void, s: int, onset: int) -> None:
    """Start level and pitch anew with the attack that set out at tick ``onset``."""
    string = st.strings[s]
    tick = st.tick
    string.phase = PLUCKED
    string.attack_tick = tick
    string.reference = st.quick[s]
    string.previous_quick = st.quick[s]
    string.held = st.quick[s]
    st.level[s] = st.quick[s]
    string.period = 0.0
    string.clarity = 0.0
    string.candidate = 0.0
    string.octave_sum = 0.0
    string.octave_count = 0.0
    restart(string, tick, onset, p.lag_max[s] + 3)


@kernel
def _onset_before(p: np.void, st: np.void, s: int, enough: float) -> int:
    """Where the attack heard at ``tick`` set out: just after the last millisecond that was as good as quiet.

    Quiet is what lies under ``enough``; where the last note still rings, its quietest moment must do. What the pick or finger does to the string before it lets go belongs to the attack.
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
def attend(p: np.void, st: np.void, s: int) -> None:
    """Every hop: level, pitch and phase of one string that is not silent."""
    string = st.strings[s]
    tick = st.tick
    _answer_attack(p, st, s)
    lag_max = p.lag_max[s]
    wanted = 2.5 * string.period if string.period > 0.0 else 2.0 * lag_max
    follow(string, tick, lag_max + 3, int(max(wanted, 0.008 * p.tick_rate)))
    _measure_level(p, st, s)
    if string.note == 0 or (tick // HOP) % 2 == 0:  # an established note is followed at half the pace
        normalised_difference(string, tick, lag_max, st.nsdf)
        period, clarity = pick_period(st.nsdf, p.lag_min[s], lag_max)
        if string.phase == SOUNDING:
            _track(p, st, s, period, clarity)
        elif clarity >= LOCK_CLARITY and st.level[s] >= THUMP * string.peak:
            _lock(p, st, s, period, clarity)
        _confirm(p, st, s)
    _report(p, st, s)
    if string.phase != SILENT:
        _watch_end(p, st, s)


@kernel
def _answer_attack(p: np.void, st: np.void, s: int) -> None:
    """Begin anew if a string that is not silent has just been plucked again, hammered on or pulled off."""
    string = st.strings[s]
    tick = st.tick
    quick = st.quick[s]
    span = string.period if string.period > 0.0 else 0.7 * p.lag_max[s]
    sudden = quick > ATTACK * string.held
    string.held = max(string.held * 10.0 ** (-0.6 * HOP / span), string.previous_quick)
    string.previous_quick = quick
    if string.note == 1:
        if sudden:
            onset = _onset_before(p, st, s, QUIET * p.on_power[s])
        elif (
            quick > max(p.on_power[s], 0.5 * string.reference)
            and tick - string.attack_tick > p.confirm_ticks
            and unlike_last_period(string, tick, 2 * p.short_ticks, st.level[s]) > CHANGE
        ):
            onset = tick - 2 * p.short_ticks
        else:
            return
        _end(p, st, s, onset)
        _begin(p, st, s, onset)
    elif sudden:
        if tick - string.onset_tick > LONGEST_ATTACK_S * p.tick_rate:
            _end(p, st, s, tick - HOP)  # that was something else
            _begin(p, st, s, tick - HOP)
        else:
            # What was heard first was the pick or finger touching the string.
            _forget(p, st, s, max(string.onset_tick, tick - HOP))


@kernel
def _measure_level(p: np.void, st: np.void, s: int) -> None:
    """Power over the last period (or what is known of it), and what it should be."""
    string = st.strings[s]
    tick = st.tick
    whole = max(int(string.period + 0.5) if string.period > 0.0 else int(0.008 * p.tick_rate), 2 * HOP)
    span = min(whole, tick + 1 - string.restart_tick)
    st.level[s] = span_power(string, tick + 1 - span, tick + 1)
    fade = 10.0 ** (-0.1 * FASTEST_FADE_DB_S * HOP / p.tick_rate)
    string.reference = max(st.level[s], string.reference * fade)
    if span == whole:  # less says nothing of a wave made of pulses
        string.peak = max(string.peak, st.level[s])


@kernel
def _lock(p: np.void, st: np.void, s: int, period: float, clarity: float) -> None:
    string = st.strings[s]
    string.phase = SOUNDING
    string.period = period
    string.clarity = clarity
    string.anchor = period
    string.anchor_tick = st.tick
    string.report = 0
    aim(string)
    frame = frame_of(p, st.tick)
    emit(
        st, frame, st.frame, LOCK, s + 1, p.tick_rate / partial_period(string), clarity, decibels(st.level[s])
    )


@kernel
def _track(p: np.void, st: np.void, s: int, period: float, clarity: float) -> None:
    """Follow the period of a sounding string; a step that stays is a new note."""
    string = st.strings[s]
    tick = st.tick
    if clarity >= KEEP_CLARITY:
        step = max(period / string.period, string.period / period)
        if step < NOTE_STEP:
            string.period = period
            string.clarity = clarity
            string.candidate = 0.0
        elif string.candidate > 0.0 and max(period / string.candidate, string.candidate / period) < NOTE_STEP:
            string.candidate = period
            if clarity >= LOCK_CLARITY and tick - string.candidate_tick >= max(
                1.5 * period, 0.012 * p.tick_rate
            ):
                _step(p, st, s, period, clarity)
        else:
            string.candidate = period
            string.candidate_tick = tick
    elif string.note == 0:
        string.phase = PLUCKED  # it was no period after all
        string.period = 0.0
        return
    else:
        string.clarity = clarity
        string.candidate = 0.0
    if string.clarity >= LOCK_CLARITY:
        string.octave_sum += math.log2(partial_period(string))
        string.octave_count += 1.0


@kernel
def _report(p: np.void, st: np.void, s: int) -> None:
    """Every hop of a sounding string: refine its pitch, and say it from time to time."""
    string = st.strings[s]
    if string.phase != SOUNDING:
        return
    measure_stretch(string, st.level[s])
    string.report += 1
    if string.report >= p.report_hops:
        string.report = 0
        hz = p.tick_rate / partial_period(string)
        emit(st, frame_of(p, st.tick), st.frame, PITCH, s + 1, hz, string.clarity, decibels(st.level[s]))


@kernel
def _step(p: np.void, st: np.void, s: int, period: float, clarity: float) -> None:
    """The pitch has moved to another note without a pluck, or the first guess was wrong."""
    string = st.strings[s]
    onset = string.candidate_tick
    if string.note == 1:
        _end(p, st, s, onset)
        string.phase = SOUNDING
        string.note = 0
        string.pluck_tick = onset
        string.onset_tick = onset
    string.period = period
    string.clarity = clarity
    string.candidate = 0.0
    string.octave_sum = 0.0
    string.octave_count = 0.0


@kernel
def _confirm(p: np.void, st: np.void, s: int) -> None:
    """A pluck whose pitch stays and whose level does not fall like a thump's is a note, unless another string is heard."""
    string = st.strings[s]
    if string.phase != SOUNDING or string.note == 1:
        return
    moved = max(string.period / string.anchor, string.anchor / string.period) > ANCHOR_STEP
    if moved or string.clarity < CONFIRM_CLARITY or st.level[s] < THUMP * string.peak:
        string.anchor = string.period
        string.anchor_tick = st.tick
    elif st.tick - string.anchor_tick >= p.confirm_ticks:
        if _echoes_another(p, st, s):
            string.anchor_tick = st.tick
            return
        string.note = 1
        hz = p.tick_rate / partial_period(string)
        emit(st, frame_of(p, string.onset_tick), st.frame, NOTE, s + 1, hz, decibels(string.peak), 0.0)


@kernel
def _echoes_another(p: np.void, st: np.void, s: int) -> bool:
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


@kernel
def _watch_end(p: np.void, st: np.void, s: int) -> None:
    string = st.strings[s]
    tick = st.tick
    stopped = st.level[s] < STOPPED * string.reference
    # Without a pitch by now it will not be a note.
    noise = string.phase == PLUCKED and tick - string.attack_tick > NOISE_S * p.tick_rate + 3 * p.lag_max[s]
    faded = st.level[s] < max(p.off_power[s], FADED * string.peak)
    if stopped or noise or faded:
        share = max(END_SHARE * string.reference, 0.5 * p.off_power[s])
        at = tick
        first = max(string.onset_tick, tick - int(0.04 * p.tick_rate))
        while at > first and span_power(string, at + 1 - p.short_ticks, at + 1) < share:
            at -= 1
        _end(p, st, s, at)


@kernel
def _end(p: np.void, st: np.void, s: int, at: int) -> None:
    string = st.strings[s]
    hz = 0.0
    if string.octave_count > 0.0:
        hz = p.tick_rate / 2.0 ** (string.octave_sum / string.octave_count)
    elif string.period > 0.0:
        hz = p.tick_rate / partial_period(string)
    emit(st, frame_of(p, at), st.frame, END, s + 1, hz, decibels(string.peak), float(string.note))
    string.end_tick = at
    string.tail = string.held * (ABOVE_TAIL if string.note == 1 else ABOVE_THUMP)
    string.tail_span = int(string.period) if string.note == 1 else 0
    string.phase = SILENT
    string.period = 0.0
    st.level[s] = 0.0


@kernel
def end_all(p: np.void, st: np.void) -> None:
    """The take is over: end what still sounds."""
    for s in range(p.strings):
        if st.strings[s].phase != SILENT:
            _end(p, st, s, max(st.tick - 1, 0))
