"""Bass and guitar of a take at any speed and pitch, each still alone."""

from collections import deque
from collections.abc import Callable, Iterable, Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor
from typing import TypeAlias, TypeVar

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.practice.gates import add_gated
from thumbline.dsp.practice.source import Source
from thumbline.dsp.sound.stretch import Voice, stretch
from thumbline.dsp.sound.stretch_mixture import stretch_mixture

Sound: TypeAlias = NDArray[np.float32]
T = TypeVar("T")
R = TypeVar("R")


def in_threads(threads: int, work: Callable[[T], R], items: Iterable[T]) -> list[R]:
    """Do ``work`` on each item, ``threads`` at a time; results in order. An interrupt cancels items not yet begun."""
    with ThreadPoolExecutor(threads) as pool:
        pending = [pool.submit(work, item) for item in items]
        try:
            return [each.result() for each in pending]
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def one_by_one(threads: int, work: Callable[[T], R], items: Iterable[T]) -> Iterator[R]:
    """Yield the results of ``work`` in order, no more than ``threads`` of them ahead: they may be large."""
    with ThreadPoolExecutor(threads) as pool:
        pending: deque[Future[R]] = deque()
        try:
            for item in items:
                pending.append(pool.submit(work, item))
                if len(pending) > threads:
                    yield pending.popleft().result()
            while pending:
                yield pending.popleft().result()
        except BaseException:
            pool.shutdown(wait=False, cancel_futures=True)
            raise


def parts_at(
    source: Source,
    speed: float,
    transpose: int,
    *,
    by_string: bool = True,
    span: tuple[int, int] | None = None,
    threads: int = 1,
) -> tuple[Sound, Sound]:
    """Return bass (frames,) and guitar (frames, channels) at ``speed`` percent, ``transpose`` semitones up.

    ``span``: the frames of the take that are wanted, from the first to before the second. What is at frame t of the
    span is at t * 100 / speed in the result. With ``by_string`` each string is stretched as the one voice it is; else,
    and where only their sum is known, the library stretches the sum.
    """
    first, end = span or (0, source.frames)
    factor = 100.0 / speed
    if factor == 1.0 and transpose == 0:
        return source.bass.sound[first:end], source.guitar[first:end]
    frames = round(factor * (end - first))
    rise = 2.0 ** (transpose / 12.0)

    def voice(each: Voice) -> Sound:
        part = each if span is None else each.part(first, end)
        if by_string:
            return _resampled(stretch(part, factor * rise)[:, None], rise, source.rate, frames)[:, 0]
        return mixture(part.sound[:, None])[:, 0]

    def mixture(sound: Sound) -> Sound:
        longer = stretch_mixture(sound, source.rate, factor * rise, round(factor * rise * len(sound)))
        return _resampled(longer, rise, source.rate, frames)

    if not (by_string and source.strings):
        bass, guitar = in_threads(
            threads, lambda task: task(), (lambda: voice(source.bass), lambda: mixture(source.guitar[first:end]))
        )
        return bass, guitar

    voices = [source.bass, *(string.voice for string in source.strings)]
    stretched = one_by_one(threads, voice, voices)
    bass = next(stretched)
    guitar = np.zeros((frames, source.guitar.shape[1]), np.float32)
    for string, sound in zip(source.strings, stretched, strict=True):
        add_gated(guitar, sound, string.gate, string.pan, first, factor)
    return bass, guitar


def _resampled(sound: Sound, rise: float, rate: int, frames: int) -> Sound:
    """Read ``sound`` ``rise`` times as fast: (frames, channels)."""
    if rise != 1.0:
        import soxr

        sound = soxr.resample(sound, rate * rise, rate)
    if len(sound) == frames:
        return sound
    out = np.zeros((frames, sound.shape[1]), np.float32)
    out[: len(sound)] = sound[:frames]
    return out


def mixed(bass: Sound, guitar: Sound, gains: Sequence[float | None], channels: int, apart: bool, lead: int) -> Sound:
    """Add the parts up, amplified by ``gains`` (bass, guitar; None: left out), after ``lead`` frames of silence.

    Two parts that are ``apart`` go one to each side: the bass left, the guitar right.
    """
    out = np.zeros((len(bass) + lead, channels), np.float32)
    apart = apart and None not in gains
    if gains[0] is not None:
        sides = slice(0, 1) if apart else slice(None)
        out[lead:, sides] += np.float32(gains[0]) * bass[:, None]
    if gains[1] is not None:
        if apart:
            out[lead:, 1] += np.float32(gains[1]) * guitar.mean(axis=1)
        else:
            out[lead:] += np.float32(gains[1]) * guitar
    return out
