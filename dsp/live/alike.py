"""Whether two strings' channels carry the same sound: a sound system has mixed them, or a cable is split.

Bleed does not count: it lies far below the string that it comes from. So two channels count as alike only if both are
about as loud as the loudest one.
"""

import numpy as np

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record

#: One frame in every so often is looked at, and a window of them is judged together: 0.5 s at 48 kHz.
EVERY, WINDOW = 8, 3000
#: Mean power below which nothing is judged, full scale 1: -40 dBFS.
QUIET = 1e-4
#: A channel whose power is below this share of the loudest one's may hold bleed alone: -6 dB.
LOUD = 0.25
#: Squared correlation from which two channels are the same sound, whatever their gain and polarity.
SAME = 0.999


@kernel
def compare_channels(engine: Record, p: Record, frames_in: np.ndarray) -> None:
    """Add frames (n, channels) to the sums; at the end of a window say in ``engine.alike`` which two are the same.

    ``engine.alike`` holds two numbers of input channels, from 1, the first such pair; zeros if there is none in the
    last window with sound in it.
    """
    sums = engine.alike_sums
    for i in range(0, frames_in.shape[0], EVERY):
        for s in range(p.strings):
            x = float(frames_in[i, p.channel[s]])
            for t in range(s + 1):
                sums[s, t] += x * float(frames_in[i, p.channel[t]])
        engine.alike_count += 1
    if engine.alike_count >= WINDOW:
        _judge(engine, p)
        sums[:] = 0.0
        engine.alike_count = 0


@kernel
def _judge(engine: Record, p: Record) -> None:
    sums = engine.alike_sums
    loudest = 0.0
    for s in range(p.strings):
        loudest = max(loudest, sums[s, s])
    if not loudest > QUIET * engine.alike_count:
        return
    first = second = 0
    for s in range(p.strings):
        for t in range(s):
            a, b, both = sums[s, s], sums[t, t], sums[s, t]
            if first == 0 and min(a, b) > LOUD * loudest and both * both > SAME * a * b:
                first, second = p.channel[t] + 1, p.channel[s] + 1
    engine.alike[0] = first
    engine.alike[1] = second
