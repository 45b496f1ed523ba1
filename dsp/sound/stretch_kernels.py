"""The kernels of `thumbline.dsp.sound.stretch`: where a voice jumps by whole periods, and the sound that comes of
it."""

import math

import numpy as np

from thumbline.dsp.compilation import kernel

#: Frames that are read at a time.
BLOCK = 512
#: Shapes of a fade: a raised cosine, or a straight line, by which the phase of a partial that no jump suits passes
#: evenly from that of one piece to that of the next.
ROUND, STRAIGHT = 0.0, 1.0


@kernel
def _at(x: float, xs: np.ndarray, ys: np.ndarray) -> float:
    """``ys`` at ``x`` by straight lines; ``xs`` rises."""
    i = min(max(np.searchsorted(xs, x), 1), len(xs) - 1)
    return ys[i - 1] + (ys[i] - ys[i - 1]) * (x - xs[i - 1]) / (xs[i] - xs[i - 1])


@kernel
def plan(
    pieces: np.ndarray,
    onsets: np.ndarray,
    grid: np.ndarray,
    cycles: np.ndarray,
    factor: float,
    frames: float,
    length: float,
    times: np.ndarray,
) -> int:
    """Fill rows of ``pieces``: where a piece begins in the result, where in the sound, how long it fades in, how.

    Returns how many. ``times`` are those at the top of the module, in frames. A fade is ``ROUND`` or ``STRAIGHT``.
    """
    lead, attack, noise, onset_fade, jump, shortest, longest = times
    count = 0
    for i in range(len(onsets)):
        onset = float(onsets[i])
        u = max(math.floor(onset * factor + 0.5) - math.floor(lead), 0.0)
        x = onset + u - math.floor(onset * factor + 0.5)
        last = i + 1 == len(onsets)
        end_x = length if last else onsets[i + 1] - lead
        end_u = frames if last else math.floor(onsets[i + 1] * factor + 0.5) - lead
        if u >= frames:
            break
        pieces[count] = (u, x, onset_fade, ROUND)
        count += 1
        busy = u + onset_fade  # until then the last fade lasts
        while True:
            # The reading is due for a jump when it is ahead of the note, or more than a jump behind.
            now = max(busy, u + max(0.0, onset + attack - x))
            here = x + now - u
            if now >= end_u or count >= len(pieces):
                break
            period = 1.0 / max(_at(here + 1.0, grid, cycles) - _at(here, grid, cycles), 1e-9)
            whole = max(1.0, math.floor(jump / period + 0.5))
            ahead = here - now / factor
            slower = factor > 1.0
            wait = -ahead / (1.0 - 1.0 / factor) if slower else (ahead + whole * period) / (1.0 / factor - 1.0)
            if wait > 0.0:
                now += math.ceil(min(wait, 0.25 * period + wait * 0.5))
                here = x + now - u
                ahead = here - now / factor
            # Not yet: look again from there.
            if (factor > 1.0 and ahead < 0.0) or (factor < 1.0 and ahead > -whole * period):
                busy = now
                continue
            fade = shortest
            if now + fade >= end_u:
                break
            target = here
            while whole >= 1.0:
                turns = _at(here, grid, cycles) + (whole if factor < 1.0 else -whole)
                target = _at(turns, cycles, grid)
                if (factor > 1.0 and target >= onset + noise) or (factor < 1.0 and target + fade < end_x):
                    break
                whole -= 1.0
            if whole < 1.0:
                busy = now + 0.5 * period  # no room
                continue
            # The fade may last until the next jump is due, but what fades out must not reach the next onset, nor what
            # fades in, and half of what is left of the note is left as it is.
            room = min(end_x - max(here, target), 0.5 * (end_u - now))
            fade = max(fade, math.floor(min(whole * period / abs(1.0 - 1.0 / factor), longest, room)))
            u, x = now, target
            pieces[count] = (u, x, fade, STRAIGHT)
            count += 1
            busy = now + fade
        # Where onsets are near each other there may be no jump before the next one: silence, not its attack twice.
        heard_to = end_x + lead - lead / max(factor, 1.0)
        if not last and x + end_u - u > heard_to + 1.0 and count < len(pieces):
            pieces[count] = (u + max(heard_to - onset_fade - x, onset_fade), length, onset_fade, ROUND)
            count += 1
    return count


@kernel
def _read(out: np.ndarray, sound: np.ndarray, at: int, taps: np.ndarray) -> None:
    """Fill ``out`` with ``sound`` from frame ``at`` on, read between frames by ``taps`` (none: at the frames)."""
    half = len(taps) // 2
    out[:] = 0.0
    # Near the ends of the sound, where the taps reach beyond it, its samples are taken as they are.
    low = min(max(half - at, 0), len(out))
    high = max(min(len(sound) - half - at, len(out)), low)
    for i in range(len(out)):
        if (half == 0 or i < low or i >= high) and 0 <= at + i < len(sound):
            out[i] = sound[at + i]
    inner = out[low:high]
    for j in range(2 * half if len(inner) else 0):  # tap by tap, so that neighbouring frames are one vector
        tap = taps[j]
        first = at + low - half + 1 + j
        shifted = sound[first : first + len(inner)]
        for i in range(len(inner)):
            inner[i] += tap * shifted[i]


@kernel
def _fill_fade(gains: np.ndarray, length: float, shape: float) -> int:
    """Fill the beginning of ``gains`` with a fade in of ``length`` frames; return of how many."""
    count = math.ceil(length)
    if shape == STRAIGHT:
        for n in range(count):
            gains[n] = min((n + 0.5) / length, 1.0)
        return count
    # cos(x + step) = 2 cos(step) cos(x) - cos(x - step); the first frame lies half a step inside.
    step = math.pi / length
    twice, before, now = 2.0 * math.cos(step), math.cos(0.5 * step), math.cos(0.5 * step)
    for n in range(count):
        gains[n] = 0.5 - 0.5 * now
        before, now = now, twice * now - before
    if count > length + 0.5:
        gains[count - 1] = 1.0  # the middle of the last frame lies beyond the fade
    return count


@kernel
def assemble(out: np.ndarray, sound: np.ndarray, pieces: np.ndarray, filters: np.ndarray) -> None:
    """Write the pieces, each from the beginning of its fade to the end of the next one's."""
    places = filters.shape[0]
    longest = 1
    for k in range(len(pieces)):
        longest = max(longest, math.ceil(pieces[k, 2]))
    read = np.zeros(BLOCK, np.float32)
    rising, next_rising = np.zeros(longest, np.float32), np.zeros(longest, np.float32)
    entering = 0  # frames in which this piece fades in
    for k in range(len(pieces)):
        begin = math.ceil(pieces[k, 0])
        fade_from, leaving = len(out), 0
        if k + 1 < len(pieces):
            fade_from, leaving = (
                math.ceil(pieces[k + 1, 0]),
                _fill_fade(next_rising, pieces[k + 1, 2], pieces[k + 1, 3]),
            )
        end = min(len(out), fade_from + leaving)
        # The place between frames stays the same for the whole piece.
        source = pieces[k, 1] + begin - pieces[k, 0]
        whole = math.floor(source)
        place = math.floor((source - whole) * places + 0.5)
        if place == places:
            whole, place = whole + 1, 0
        taps = filters[place] if place else filters[0, :0]
        for block in range(begin, end, BLOCK):
            count = min(BLOCK, end - block)
            _read(read[:count], sound, whole + block - begin, taps)
            for i in range(min(count, entering - (block - begin))):
                read[i] *= rising[block - begin + i]
            for i in range(max(fade_from - block, 0), count):
                read[i] *= np.float32(1.0) - next_rising[block + i - fade_from]
            here = out[block : block + count]
            for i in range(count):
                here[i] += read[i]
        rising, next_rising, entering = next_rising, rising, leaving
