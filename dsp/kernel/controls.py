"""What the player changes while sound passes: the split, the hold, the bass' level, tone and interval, the setting.

A change is heard within a few hundredths of a second and never as a click: whatever multiplies or filters the sound
moves to its new value in equal steps, and the reading heads of the bass change speed, not place. With the controls at
rest nothing is touched: the sound is that of the setting, bit for bit.
"""

import math

from thumbline.dsp.compilation import kernel
from thumbline.dsp.kernel.offsets import end_note
from thumbline.dsp.kernel.onsets import start_note
from thumbline.dsp.kernel.tone_stage import choose_timbre
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import SILENT

#: How long a change takes, in seconds.
RAMP_S = 0.03
#: Above this share of the rate the low-pass is left out.
OPEN_TONE = 0.45


@kernel
def ask_the_same(a: Record, b: Record) -> bool:
    """Whether two records with the fields of the controls ask for the same."""
    return (
        a.split == b.split
        and a.hold == b.hold
        and a.level == b.level
        and a.tone_hz == b.tone_hz
        and a.ratio == b.ratio
        and a.character == b.character
    )


@kernel
def copy_controls(source: Record, target: Record) -> None:
    """Ask in ``target`` for what ``source`` asks."""
    target.split = source.split
    target.hold = source.hold
    target.level = source.level
    target.tone_hz = source.tone_hz
    target.ratio = source.ratio
    target.character = source.character


@kernel
def take_controls(p: Record, st: Record) -> None:
    """When a call begins: set out for what the controls ask, if that has changed."""
    new, old = st.controls, st.heard
    if ask_the_same(new, old):
        return
    sounds = new.level != old.level or new.tone_hz != old.tone_hz or new.character != old.character
    copy_controls(new, old)
    st.ratio = new.ratio if new.ratio > 0.0 else p.ratio
    if sounds:
        start_ramp(p, st)


@kernel
def start_ramp(p: Record, st: Record) -> None:
    """Begin a ramp from the present values to those that the setting and the controls ask for."""
    aim, now, step = st.aim, st.now, st.step
    aim.bass_gain = p.bass_gain * st.heard.level
    for k in range(5):
        aim.tone[k] = p.tone[k]
    if st.heard.tone_hz > 0.0:
        _low_pass(st.heard.tone_hz / p.rate, aim)
    choose_timbre(p, st)
    for s in range(p.strings):
        aim.pan[s, 0] = p.pan[s, 0]
        aim.pan[s, 1] = p.pan[s, 1]
    aim.ceiling = p.ceiling
    st.ramp = int(RAMP_S * p.rate)
    share = 1.0 / st.ramp
    step.bass_gain = share * (aim.bass_gain - now.bass_gain)
    for k in range(5):
        step.tone[k] = share * (aim.tone[k] - now.tone[k])
    for k in range(len(aim.timbre)):
        step.timbre[k] = share * (aim.timbre[k] - now.timbre[k])
    for s in range(p.strings):
        step.pan[s, 0] = share * (aim.pan[s, 0] - now.pan[s, 0])
        step.pan[s, 1] = share * (aim.pan[s, 1] - now.pan[s, 1])
    step.ceiling = share * (aim.ceiling - now.ceiling)


@kernel
def _low_pass(share: float, aim: Record) -> None:
    """Butterworth of second order at ``share`` of the rate, by the bilinear transform.

    Poles of a second-order section stay inside the unit circle on the straight line between two stable filters: the
    region of stable (a1, a2) is a triangle. So the coefficients themselves may be ramped.
    """
    if share >= OPEN_TONE:
        aim.tone[0] = 1.0
        for k in range(1, 5):
            aim.tone[k] = 0.0
        return
    w = math.tan(math.pi * share)
    scale = 1.0 / (1.0 + math.sqrt(2.0) * w + w * w)
    aim.tone[0] = scale * w * w
    aim.tone[1] = 2.0 * aim.tone[0]
    aim.tone[2] = aim.tone[0]
    aim.tone[3] = 2.0 * scale * (w * w - 1.0)
    aim.tone[4] = scale * (1.0 - math.sqrt(2.0) * w + w * w)


@kernel
def step_ramp(st: Record) -> None:
    """Every frame of a ramp: one step nearer; the last one lands on the aim itself."""
    now, aim, step = st.now, st.aim, st.step
    st.ramp -= 1
    if st.ramp == 0:
        now.bass_gain = aim.bass_gain
        now.ceiling = aim.ceiling
        now.tone[:] = aim.tone
        now.timbre[:] = aim.timbre
        now.pan[:] = aim.pan
        return
    now.bass_gain += step.bass_gain
    now.ceiling += step.ceiling
    for k in range(5):
        now.tone[k] += step.tone[k]
    for k in range(len(now.timbre)):
        now.timbre[k] += step.timbre[k]
    for s in range(now.pan.shape[0]):
        now.pan[s, 0] += step.pan[s, 0]
        now.pan[s, 1] += step.pan[s, 1]


@kernel
def change_setting(old: Record, p: Record, st: Record) -> None:
    """Between two calls: put the setting ``p`` in the place of ``old``; the notes that sound go on.

    Both are compiled for one guitar (:func:`thumbline.dsp.processor.parameters.compile_settings`). A string that is
    tuned otherwise, or whose capo has moved, is analysed anew; what it sounds then counts as a new note.
    """
    st.ratio = st.heard.ratio if st.heard.ratio > 0.0 else p.ratio
    for s in range(p.strings):
        if st.strings[s].phase != SILENT and _tuned_otherwise(old, p, s):
            end_note(p, st, s, max(st.tick - 1, 0))
            start_note(p, st, s, st.tick)
            st.attack_seen = st.tick  # it was not plucked: the bass reads on where it is
    start_ramp(p, st)


@kernel
def _tuned_otherwise(old: Record, new: Record, s: int) -> bool:
    return old.lag_min[s] != new.lag_min[s] or old.lag_max[s] != new.lag_max[s]
