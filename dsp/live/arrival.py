"""How an interface hands over its sound: how many frames come at a time, whatever was asked for.

A sound system may pass several blocks in a row and then none for a while: its own period is longer than the block. Only
the times at which blocks come tell.
"""

from thumbline.dsp.compilation import kernel
from thumbline.dsp.memory.record_type import Record

#: A block that comes later after the one before it than this share of its own length was not waiting beside it.
APART = 0.5
#: A number of frames is believed once it has come this many times more often than not; no more are remembered.
SURE, MOST = 16, 64


@kernel
def note_arrival(engine: Record, frames: int, begun_ns: int) -> None:
    """Note that a block of ``frames`` has come at ``begun_ns``, before ``engine.block_at_ns`` is set to that.

    ``engine.period_frames`` becomes the number of frames that come at a time most often, by majority vote (Boyer and
    Moore): single blocks that come late or together change nothing.
    """
    gap = begun_ns - engine.block_at_ns
    if engine.blocks > 0 and gap * engine.rate > APART * frames * 1e9:
        if engine.burst == engine.period_guess:
            engine.period_votes = min(engine.period_votes + 1, MOST)
        elif engine.period_votes > 0:
            engine.period_votes -= 1
        else:
            engine.period_guess = engine.burst
            engine.period_votes = 1
        if engine.period_votes >= SURE:
            engine.period_frames = engine.period_guess
        engine.burst = 0
    engine.burst += frames
