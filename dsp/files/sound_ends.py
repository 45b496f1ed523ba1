"""Where a whole sound file ends, by what its header says: libsndfile reads a file that was cut as if it were whole.

Uncompressed WAV, RF64, AIFF and CAF are counted in frames (`thumbline.dsp.files.sound_headers`); FLAC, MP3, HTK and
compressed CAF files are found short by libsndfile itself. For the rest bytes are counted here. A few formats do not
hold their length: of those only a cut within a frame can be noticed.

Sources: RFC 3533 (Ogg), Sony's "Sony Wave64" description, Sun's audio file format (AU), EA IFF 85, Microsoft and IBM's
RIFF 1.0, Apple's AIFF-C, the description of SPHERE headers by NIST, The MathWorks' "MAT-File Format" (levels 4 and 5)
and Creative's description of VOC (from memory); AVR, IRCAM, MPC 2000, PAF, PVF, WVE and XI as libsndfile 1.2.2 writes
them.
"""

import os
import struct
from collections.abc import Callable
from typing import BinaryIO

from thumbline.dsp.files.sound_headers import is_streamed

#: Formats, as libsndfile names them, that do not hold their length: a cut file is not known.
OPEN_FORMATS = frozenset(("IRCAM", "PAF", "PVF", "SD2", "XI"))
_BYTES = {
    "PCM_S8": 1,
    "ULAW": 1,
    "ALAW": 1,
    "PCM_16": 2,
    "PCM_24": 3,
    "PCM_32": 4,
    "FLOAT": 4,
    "DPCM_16": 2,
}  # of a sample in those
_OGG_PAGE = 27 + 255 + 255 * 255  # bytes of the largest
_AU_UNKNOWN = 0xFFFFFFFF
_MOST_PARTS = 100_000  # of a file that is looked through


def missing_bytes(stream: BinaryIO) -> int:
    """Return how many bytes a sound file lacks at least; 0 for a whole one, and one of a format not known here."""
    size = os.fstat(stream.fileno()).st_size
    stream.seek(0)
    begin = stream.read(128)
    for magic, end_of in _ENDS.items():
        if begin.startswith(magic):
            try:
                return max(0, end_of(stream, begin, size) - size)
            except (struct.error, ValueError, IndexError, KeyError):
                return 1  # not even its header is whole
    return 0


def holds_no_length(stream: BinaryIO, form: str) -> bool:
    """Whether a file of the format ``form`` does not say how long it should be: its header has no such field, or -1."""
    stream.seek(0)
    begin = stream.read(12)
    return form in OPEN_FORMATS or (form == "AU" and begin[8:12] == b"\xff" * 4)


def ends_within_a_frame(stream: BinaryIO, form: str, encoding: str, channels: int) -> bool:
    """Whether a file of one of the formats that do not hold their length was certainly cut."""
    size = os.fstat(stream.fileno()).st_size
    stream.seek(0)
    starts = {"IRCAM": 1024, "PAF": 2048, "SD2": 0, "XI": 338}
    if form == "PVF":  # two lines of text
        starts["PVF"] = sum(len(line) + 1 for line in stream.read(256).split(b"\n")[:2])
    return form in starts and (size - starts[form]) % (channels * _BYTES.get(encoding, 1)) != 0


def wrongly_read(form: str, encoding: str) -> bool:
    """Whether libsndfile 1.2.2 is known to read such files wrongly, by its own whole files read back.

    The last packet of SDS is another sound unless it is full; in PAF of 24 bits with six channels frames are lost, and
    others come out by how many are read at a time.
    """
    return form == "SDS" or (form, encoding) == ("PAF", "PCM_24")


def _iff(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the sound in a RIFF (little endian) or IFF (big endian) file; chunks are padded to even sizes."""
    order = "<" if begin.startswith(b"RIFF") else ">"
    at = 12
    for _ in range(_MOST_PARTS):
        stream.seek(at)
        name, length = struct.unpack(order + "4sI", stream.read(8))
        if name in (b"data", b"SSND", b"BODY"):
            return size if name == b"data" and is_streamed(length) else at + 8 + length
        at += 8 + length + length % 2
    return size


def _wave64(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the sound: a chunk has a name of 16 bytes and a size of 8 that counts both, and is padded to 8."""
    at = 40
    for _ in range(_MOST_PARTS):
        stream.seek(at)
        head = stream.read(24)
        (length,) = struct.unpack("<16xQ", head)
        if head[:4] == b"data":
            return at + length
        at += max(24, (length + 7) // 8 * 8)
    return size


def _au(stream: BinaryIO, begin: bytes, size: int) -> int:
    start, length = struct.unpack((">" if begin[:1] == b"." else "<") + "4xII", begin[:12])
    return size if length == _AU_UNKNOWN else start + length


def _avr(stream: BinaryIO, begin: bytes, size: int) -> int:
    stereo, bits, frames = struct.unpack(">12xHH10xI", begin[:30])
    return 128 + frames * (2 if stereo else 1) * (bits // 8)


def _mpc(stream: BinaryIO, begin: bytes, size: int) -> int:
    stereo, frames = struct.unpack("<21xB8xI", begin[:34])
    return 42 + frames * 2 * (2 if stereo else 1)


def _nist(stream: BinaryIO, begin: bytes, size: int) -> int:
    start = int(begin.split(b"\n")[1])
    stream.seek(0)
    lines = (line.split() for line in stream.read(min(start, 1 << 16)).split(b"\n"))
    fields = {line[0]: line[2] for line in lines if len(line) == 3}
    sizes = [int(fields[name]) for name in (b"sample_count", b"channel_count", b"sample_n_bytes")]
    return start + sizes[0] * sizes[1] * sizes[2]


def _mat4(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the second of two matrices: the sample rate and the sound."""
    end, item_bytes = 0, (8, 4, 4, 2, 2, 1)
    order = "<" if struct.unpack("<I", begin[:4])[0] < 5000 else ">"
    for _ in range(2):
        stream.seek(end)
        kind, rows, columns, imaginary, name = struct.unpack(order + "5I", stream.read(20))
        end += 20 + name + rows * columns * item_bytes[kind // 10 % 10] * (2 if imaginary else 1)
    return end


def _mat5(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the sound: the fourth part (flags, dimensions, name, data) of the second matrix; each padded to 8 bytes.

    libsndfile writes the length of the matrix itself 8 bytes too large.
    """
    stream.seek(126)
    order = "<" if stream.read(2) == b"IM" else ">"
    (first,) = struct.unpack(order + "4xI", stream.read(8))
    at = 128 + 8 + (first + 7) // 8 * 8 + 8
    for _ in range(3):
        stream.seek(at)
        kind, length = struct.unpack(order + "II", stream.read(8))
        at += 8 if kind >> 16 else 8 + (length + 7) // 8 * 8  # up to 4 bytes are kept in the tag
    stream.seek(at + 4)
    (length,) = struct.unpack(order + "I", stream.read(4))
    return at + 8 + length


def _wve(stream: BinaryIO, begin: bytes, size: int) -> int:
    return 32 + int.from_bytes(begin[18:22], "big")


def _voc(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the last block: a byte of kind, three of size; a kind of 0 ends the file."""
    (end,) = struct.unpack("<20xH", begin[:22])
    for count in range(_MOST_PARTS):
        stream.seek(end)
        head = stream.read(4)
        if head[:1] == b"\0" or (not head and count):
            return end
        (word,) = struct.unpack("<I", head)
        end += 4 + (word >> 8)
        if end > size:
            return end
    return size


def _ogg(stream: BinaryIO, begin: bytes, size: int) -> int:
    """End of the last page, which has to say that it is the last."""
    stream.seek(max(0, size - 2 * _OGG_PAGE))
    tail = stream.read()
    at = tail.rfind(b"OggS\0")
    lacing = tail[at + 27 : at + 27 + tail[at + 26]]
    whole = len(lacing) == tail[at + 26] and at + 27 + len(lacing) + sum(lacing) <= len(tail)
    return size if whole and tail[at + 5] & 4 else size + 1


_ENDS: dict[bytes, Callable[[BinaryIO, bytes, int], int]] = {
    b"RIFF": _iff,
    b"RIFX": _iff,
    b"FORM": _iff,
    b"riff\x2e\x91\xcf\x11": _wave64,
    b".snd": _au,
    b"dns.": _au,
    b"2BIT": _avr,
    b"\x01\x04": _mpc,
    b"NIST_1A": _nist,
    b"Creative Voice File": _voc,
    b"OggS": _ogg,
    b"MATLAB 5.0": _mat5,
    b"ALawSoundFile**": _wve,
}
_MAT4_STARTS = (b"\0\0\0\0\1\0\0\0\1\0\0\0\0\0\0\0", b"\0\0\x03\xe8\0\0\0\1\0\0\0\1\0\0\0\0")
_ENDS |= dict.fromkeys(_MAT4_STARTS, _mat4)
