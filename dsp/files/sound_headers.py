"""The length that the header of an uncompressed sound file promises, and the length that is there."""

import os
import struct
from collections.abc import Iterator
from itertools import islice
from typing import BinaryIO

# Integer, float, A-law, mu-law, extensible (RFC 2361 and Microsoft's mmreg.h).
_UNCOMPRESSED_WAV = frozenset((1, 3, 6, 7, 0xFFFE))
_MOST_CHUNKS = 100_000  # that are looked through
_UNCOMPRESSED_AIFC = (b"", b"NONE", b"twos", b"sowt", b"in24", b"in32", b"fl32", b"FL32", b"fl64", b"FL64")


def _chunks(stream: BinaryIO, size_format: str, end: int) -> Iterator[tuple[bytes, int, int]]:
    """Yield (name, offset of content, size in bytes) of each chunk of an IFF-like file of ``end`` bytes."""
    length = 4 + struct.calcsize(size_format)
    while len(head := stream.read(length)) == length:
        start = stream.tell()
        (size,) = struct.unpack(size_format, head[4:])
        yield head[:4], start, size
        if not 0 <= size <= end - start:
            return
        stream.seek(start + size + (size % 2 if length == 8 else 0))  # CAF does not pad


def is_streamed(size: int) -> bool:
    """Whether a writer that could not know left this as the size of the sound (common practice, no source)."""
    return min(abs(size - 2**31), abs(size - 2**32)) < 2**16


def promised_and_present(stream: BinaryIO) -> tuple[int, int]:
    """Return how many frames an uncompressed WAV, RF64, AIFF or CAF file promises, and how many are there.

    (0, 0) for any other file. Needed because libsndfile silently shortens a cut file to the rest. A file
    that its recorder never closed, or that lacks its sound, promises -1. Sources: EBU Tech 3306 (RF64),
    Apple's AIFF 1.3 and Core Audio Format specifications.
    """
    end = os.fstat(stream.fileno()).st_size
    stream.seek(0)
    form = stream.read(12)
    wav = form[:4] in (b"RIFF", b"RIFX", b"RF64") and form[8:] == b"WAVE"
    caf = form[:4] == b"caff"
    if not (wav or caf or (form[:4] == b"FORM" and form[8:] in (b"AIFF", b"AIFC"))):
        return 0, 0
    order = "<" if form[:4] in (b"RIFF", b"RF64") else ">"
    stream.seek(8 if caf else 12)
    frame, aiff_frames, long_size, start, size, tidy = 0, 0, 0, 0, 0, True
    for name, offset, length in islice(_chunks(stream, order + ("q" if caf else "I"), end), _MOST_CHUNKS):
        body = stream.read(32).ljust(32, b"\0")
        if name == b"ds64":
            (long_size,) = struct.unpack("<8xQ", body[:16])
        elif name == b"fmt ":
            encoding, block = struct.unpack(order + "H10xH", body[:14])
            frame = block if encoding in _UNCOMPRESSED_WAV else 0
        elif name == b"COMM":
            channels, aiff_frames, bits = struct.unpack(">HIH", body[:8])
            known = form[8:] == b"AIFF" or body[18:22] in _UNCOMPRESSED_AIFC
            frame = channels * ((bits + 7) // 8) if known else 0
        elif name == b"desc":
            (frame,) = struct.unpack(">16xI", body[:20])
        elif name in (b"data", b"SSND") and not start:
            start, size = offset, length
        elif start:
            tidy = tidy and name.isascii() and name.decode("ascii").isprintable() and length <= end - offset
    if not frame or not (start or wav or caf):
        return 0, 0
    if not start or (caf and size == -1) or (wav and size == 0 and not tidy):
        return -1, (end - start) // frame if start else 0
    if caf:
        start, size = start + 4, size - 4
    elif not wav:
        start, size = start + 8, aiff_frames * frame
    elif form[:4] == b"RF64" and size == 0xFFFFFFFF:
        size = long_size
    if not caf and is_streamed(size):
        size = min(size, end - start)
    return max(size, 0) // frame, max(end - start, 0) // frame
