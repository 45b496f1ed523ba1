"""Tags at the head of an MP3 file: one ID3v2.4 block of text frames in UTF-8.

libsndfile's own tags call their text ISO 8859-1 whatever it is, so that all but ASCII comes out wrong in players.

Source, from memory: id3.org, "ID3 tag version 2.4.0 - Main Structure" (header, sizes of 7 bits a byte) and "- Native
Frames" (text information frames, comments).
"""

_UTF_8 = b"\3"
_ANY_LANGUAGE = b"XXX"  # of a comment: not known
_MOST = 1 << 28  # bytes that a size of four times 7 bits can tell


def id3_block(title: str, album: str, genre: str, track: str, comment: str) -> bytes:
    """Return a whole block with these texts. Raises ValueError if they are too long for one."""
    frames = b"".join(
        (
            _frame(b"TIT2", title.encode()),
            _frame(b"TALB", album.encode()),
            _frame(b"TCON", genre.encode()),
            _frame(b"TRCK", track.encode()),
            _frame(b"COMM", _ANY_LANGUAGE + b"\0" + comment.encode()),  # without a description
        )
    )
    return b"ID3\4\0\0" + _size(len(frames)) + frames


def _frame(name: bytes, text: bytes) -> bytes:
    return name + _size(1 + len(text)) + b"\0\0" + _UTF_8 + text


def _size(count: int) -> bytes:
    """Four bytes of 7 bits each, the highest first: none of them can be mistaken for the start of an MPEG frame."""
    if count >= _MOST:
        raise ValueError(f"{count} bytes of tags; accepted are fewer than {_MOST}")
    return bytes(count >> shift & 0x7F for shift in (21, 14, 7, 0))
