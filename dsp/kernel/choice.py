"""Which string is the bass now, and when it hands over."""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.event_ring import emit
from thumbline.dsp.memory.events import BY_PLUCK, BY_RULE, BY_STOP, HANDOVER
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import BELIEVED, LOWEST_PITCH, LOWEST_STRING, NEXT_STRING, SILENT
from thumbline.dsp.memory.tick_ring import frame_of


@kernel
def sounds(st: Record, s: int) -> bool:
    """Whether a string sounds, and is believed to."""
    return st.strings[s].phase != SILENT and st.strings[s].proof == BELIEVED


@kernel
def may_carry(p: Record, st: Record, s: int) -> bool:
    """Whether a string sounds and may be the bass with the note that it has."""
    string = st.strings[s]
    if not sounds(st, s) or p.carries[s] == 0:
        return False
    return string.period == 0.0 or p.tick_rate / string.period <= p.highest_hz


@kernel
def _preferred(p: Record, st: Record) -> int:
    """The string that the rule names, as an index; -1 where none sounds that may carry the bass."""
    if st.controls.split == 0:
        return -1
    best = _best(p, st, False)
    if best < 0 and p.rest == NEXT_STRING:
        best = _best(p, st, True)
    return best


@kernel
def _best(p: Record, st: Record, rest: bool) -> int:
    """The same among those that may carry the bass, or, in a ``rest`` of these, among all that sound."""
    best = -1
    for s in range(p.strings):
        if not (sounds(st, s) if rest else may_carry(p, st, s)):
            continue
        if best < 0 or p.rule == LOWEST_STRING:
            best = s
        elif p.rule == LOWEST_PITCH:
            # While its pitch is unknown a string counts as its open note: a low pluck must not be late.
            if _period(p, st, s) >= _period(p, st, best):
                best = s
        elif st.strings[s].pluck_tick >= st.strings[best].pluck_tick:
            best = s
    return best


@kernel
def _period(p: Record, st: Record, s: int) -> float:
    period = st.strings[s].period
    return period if period > 0.0 else float(p.open_period[s])


@kernel
def choose(p: Record, st: Record) -> None:
    """Every tick: hand the bass over if the rule says so, the strum has settled and the hold is over."""
    wanted = _preferred(p, st)
    tick = st.tick
    if wanted != st.wanted:
        st.wanted = wanted
        st.wanted_tick = tick
    bass = st.bass
    if st.controls.hold == 1 and bass >= 0 and st.controls.split == 1:
        st.delayed = wanted != bass
        return
    if wanted == bass:
        st.delayed = False
        return
    # Settle and hold delay only a hand-over to another string. A stopped string or a thump never keeps the bass.
    stopped = bass >= 0 and st.strings[bass].phase == SILENT
    thump = bass >= 0 and st.strings[bass].proof != BELIEVED
    held = wanted >= 0 and bass >= 0 and not stopped and not thump and tick <= st.handover_tick + p.hold_ticks
    if held or (wanted >= 0 and tick < st.wanted_tick + p.settle_ticks):
        st.delayed = held
        return
    frame, cause = _cause(p, st, wanted, stopped)
    emit(st, frame, st.frame, HANDOVER, wanted + 1, float(bass + 1), float(cause), 0.0)
    st.delayed = False
    st.bass = wanted
    st.handover_tick = tick


@kernel
def _cause(p: Record, st: Record, wanted: int, stopped: bool) -> tuple[int, int]:
    """Return the frame of the event that makes the bass pass to ``wanted``, and its kind."""
    if st.delayed:
        return frame_of(p, st.tick), BY_RULE
    # The rule turned to the string in the very tick in which its pluck was believed: the pluck is the cause.
    if wanted >= 0 and st.strings[wanted].proof_tick == st.wanted_tick:
        return frame_of(p, st.strings[wanted].onset_tick), BY_PLUCK
    if stopped:
        return frame_of(p, st.strings[st.bass].end_tick), BY_STOP
    return frame_of(p, st.wanted_tick), BY_RULE
