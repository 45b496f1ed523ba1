"""The sound in a practice page: Opus in blocks, each decoded by itself when it is due.

Twenty minutes of decoded stems would fill the memory of a phone, so a browser holds only the blocks about the place
that is heard. A block is an Ogg Opus stream of its own (RFC 7845, RFC 6716). What an Opus decoder gives first is not
yet right: RFC 7845, 4.6, asks for 80 ms of lead before a place that is jumped to. So each block begins that much early
and ends a frame of the codec late, and the page cuts both off; the joins are then those of the sound.
"""

import base64
import io
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.practice.parts import in_threads

#: Frames per second of Opus, and of the page.
RATE = 48_000
#: Length of a block, and what is encoded before it and after it, s.
BLOCK_S, BEFORE_S, AFTER_S = 10.0, 0.08, 0.02
#: libsndfile's compression level, 0 (largest) to 1: about 56 kbit/s for a bass, 87 for a guitar, whatever its channels.
BASS_LEVEL, MONO_LEVEL, STEREO_LEVEL = 0.8, 0.68, 0.85
#: Frames written at a time; libsndfile's encoders run out of stack on long pieces.
_PIECE = 8192


@dataclass(frozen=True)
class PageStem:
    """A part at full speed, as loud as it is in the mix of all."""

    part: str  #: "bass" or "guitar"
    sound: NDArray[np.float32]  #: (frames, 1 or 2 channels)
    rate: int  #: frames per second


def describe(stems: Sequence[PageStem]) -> dict[str, Any]:
    """Return what the page must know of the sound in it."""
    return {
        "rate": RATE,
        "block_s": BLOCK_S,
        "before_s": BEFORE_S,
        "after_s": AFTER_S,
        "stems": [
            {
                "part": stem.part,
                "channels": stem.sound.shape[1],
                "peak": round(float(np.abs(stem.sound).max(initial=0.0)), 6),
            }
            for stem in stems
        ],
    }


def elements(stems: Sequence[PageStem], threads: int = 1) -> list[str]:
    """Return the blocks of all stems as elements of the page, base64-encoded (RFC 4648)."""
    texts: list[str] = []
    for stem in stems:
        sound = stem.sound
        if stem.rate != RATE:
            import soxr

            sound = soxr.resample(sound, stem.rate, RATE)
        level = BASS_LEVEL if stem.part == "bass" else (MONO_LEVEL if sound.shape[1] == 1 else STEREO_LEVEL)
        firsts = range(0, max(len(sound), 1), round(BLOCK_S * RATE))
        blocks = in_threads(threads, lambda first, s=sound, q=level: _encoded(_block(s, first), q), firsts)
        texts += [
            f'<script type="text/plain" data-stem="{stem.part}">{base64.b64encode(block).decode()}</script>'
            for block in blocks
        ]
    return texts


def _block(sound: NDArray[np.float32], first: int) -> NDArray[np.float32]:
    """Return the block that begins at frame ``first``, with what is before it and after it; silence beyond the ends."""
    before, after = round(BEFORE_S * RATE), round(AFTER_S * RATE)
    frames = min(round(BLOCK_S * RATE), len(sound) - first)
    out = np.zeros((before + frames + after, sound.shape[1]), np.float32)
    begin = max(first - before, 0)
    part = sound[begin : first + frames + after]
    at = begin - (first - before)
    out[at : at + len(part)] = part
    return out


def _encoded(sound: NDArray[np.float32], level: float) -> bytes:
    content = io.BytesIO()
    with soundfile.SoundFile(
        content, "w", RATE, sound.shape[1], subtype="OPUS", format="OGG", compression_level=level
    ) as file:
        for first in range(0, len(sound), _PIECE):
            file.write(sound[first : first + _PIECE])
    return content.getvalue()
