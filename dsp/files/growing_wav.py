"""A WAV file that grows for hours and can be read whenever its writer is cut off.

The header is written anew after each block of sound, so it never promises more than is there, and never lacks more than
the last block. From 4 GiB on the same header says RF64: the room for its sizes is there from the start.

Sources: EBU Tech 3306 (RF64, and the chunk "JUNK" that becomes "ds64"), Microsoft's mmreg.h (WAVE_FORMAT_EXTENSIBLE,
which more than two channels need).
"""

import os
import struct
from pathlib import Path
from typing import Literal

import numpy as np
from numpy.typing import NDArray

_EXTENSIBLE = 0xFFFE
#: The end of a sub-format's GUID, whose beginning is the old format tag.
_GUID = bytes.fromhex("000000001000800000aa00389b71")
_PCM, _FLOAT = 1, 3
_UNKNOWN = 0xFFFFFFFF
#: Bytes before the sound: RIFF, ds64 or JUNK, fmt, fact, data.
_HEADER = 12 + 36 + 48 + 12 + 8

Bits = Literal[24, 32]


class GrowingWav:
    """A file of ``channels`` at ``rate``, 24-bit integers or 32-bit floating point; full scale is 1.

    With ``frames`` a file that another writer left goes on behind so many of them: more are cut off, and silence
    stands in for those that lack. Without, there must be no such file. Raises OSError, here and in each call: what has
    been written is readable all the same, and the call may be tried again.
    """

    def __init__(self, path: Path, rate: int, channels: int, bits: Bits, frames: int | None = None) -> None:
        self._rate, self._channels, self._bits = rate, channels, bits
        self._frame_bytes = channels * bits // 8
        self.frames = frames or 0
        flags = os.O_RDWR | getattr(os, "O_BINARY", 0) | (os.O_CREAT | os.O_EXCL if frames is None else 0)
        self._file = os.fdopen(os.open(path, flags, 0o666), "r+b", buffering=0)
        if frames is not None:
            self._file.truncate(self._end)
        self._write_header()

    @property
    def _end(self) -> int:
        return _HEADER + self.frames * self._frame_bytes

    def write(self, block: NDArray[np.float32]) -> None:
        """Append ``block`` (n, channels). All of it is in the file afterwards, or, with OSError, none of it counts."""
        self._write_all(self._end, self._encoded(block))
        self._count(len(block))

    def skip(self, frames: int) -> None:
        """Append silence, which takes no room on most file systems."""
        self._file.truncate(self._end + frames * self._frame_bytes)
        self._count(frames)

    def back_to(self, frames: int) -> None:
        """Cut off what lies behind so many frames: after a block that could be written only in part."""
        self.frames = min(frames, self.frames)
        self._file.truncate(self._end)
        self._write_header()

    def sync(self) -> None:
        """Wait until the disk itself has what was written."""
        os.fsync(self._file.fileno())

    def close(self) -> None:
        """Close the file."""
        self._file.close()

    def _count(self, frames: int) -> None:
        self.frames += frames
        self._write_header()

    def _encoded(self, block: NDArray[np.float32]) -> bytes:
        if self._bits == 32:
            return np.ascontiguousarray(block, "<f4").tobytes()
        steps = np.clip(np.rint(block.astype(np.float64) * 2**23), -(2**23), 2**23 - 1).astype("<i4")
        return np.ascontiguousarray(steps).view(np.uint8).reshape(-1, 4)[:, :3].tobytes()

    def _write_all(self, at: int, data: bytes) -> None:
        self._file.seek(at)
        left = memoryview(data)
        while left:
            left = left[self._file.write(left) or 0 :]

    def _write_header(self) -> None:
        size = self.frames * self._frame_bytes
        long = _HEADER - 8 + size > _UNKNOWN
        sizes = struct.pack("<QQQI", _HEADER - 8 + size, size, self.frames, 0) if long else bytes(28)
        tag = _PCM if self._bits == 24 else _FLOAT
        head = struct.pack(
            "<4sI4s4sI28s4sIHHIIHHHHIH14s4sII4sI",
            *(b"RF64" if long else b"RIFF", _UNKNOWN if long else _HEADER - 8 + size, b"WAVE"),
            *(b"ds64" if long else b"JUNK", 28, sizes),
            *(b"fmt ", 40, _EXTENSIBLE, self._channels, self._rate, self._rate * self._frame_bytes),
            *(self._frame_bytes, self._bits, 22, self._bits, 0, tag, _GUID),
            *(b"fact", 4, _UNKNOWN if long else self.frames),
            *(b"data", _UNKNOWN if long else size),
        )
        self._write_all(0, head)
