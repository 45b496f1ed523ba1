"""The kernels of `thumbline.dsp.stretch`: where a voice jumps by whole periods, and the sound that comes of it."""

import math

import numpy as np

from thumbline.dsp.compilation import kernel


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
    """Fill rows of ``pieces``: where a piece begins in the result, where in the sound, how long it fades in.

    Returns how many. ``times`` are those at the top of the module, in frames.
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
        pieces[count] = (u, x, onset_fade)
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
            fade = min(max(period, shortest), longest)
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
            u, x = now, target
            pieces[count] = (u, x, fade)
            count += 1
            busy = now + fade
    return count


@kernel
def assemble(out: np.ndarray, sound: np.ndarray, pieces: np.ndarray, filters: np.ndarray) -> None:
    """Write the pieces, each from the beginning of its fade to the end of the next one's."""
    half = filters.shape[1] // 2
    places = filters.shape[0]
    for k in range(len(pieces)):
        begin = math.ceil(pieces[k, 0])
        fade_in = pieces[k, 2]
        last = k + 1 == len(pieces)
        fade_from = float(len(out)) if last else math.ceil(pieces[k + 1, 0])
        fade_out = 1.0 if last else pieces[k + 1, 2]
        end = len(out) if last else min(len(out), int(fade_from + fade_out) + 1)
        # The place between frames stays the same for the whole piece.
        source = pieces[k, 1] + begin - pieces[k, 0]
        whole = math.floor(source)
        place = math.floor((source - whole) * places + 0.5)
        if place == places:
            whole, place = whole + 1, 0
        taps = filters[place]
        for u in range(begin, end):
            at = whole + u - begin
            if at - half < 0 or at + half >= len(sound):
                y = sound[at] if 0 <= at < len(sound) else np.float32(0.0)
            elif place == 0:
                y = sound[at]
            else:
                y = np.float32(0.0)
                for j in range(2 * half):
                    y += taps[j] * sound[at - half + 1 + j]
            gain = 1.0
            if k > 0 and u - begin < fade_in:
                gain = 0.5 - 0.5 * math.cos(math.pi * (u - begin + 0.5) / fade_in)
            if u >= fade_from:
                gain *= 0.5 + 0.5 * math.cos(math.pi * min((u - fade_from + 0.5) / fade_out, 1.0))
            out[u] += np.float32(gain) * y
