"""Finished tracks as files: lossless and compressed, with tags.

libsndfile writes both: Vorbis comments in FLAC, Ogg Vorbis and Opus, the INFO list of RIFF in WAV. Of MP3 it writes the
sound alone: its tags there are right for ASCII only (see `thumbline.dsp.files.id3`). Tags are written with the sound,
once.
"""

import os
from dataclasses import dataclass
from io import FileIO
from pathlib import Path
from types import TracebackType
from typing import Any, NamedTuple, Self

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import OutputError, printable
from thumbline.dsp.files.id3 import id3_block

#: Frames written at a time; libsndfile's Vorbis encoder runs out of stack on a whole track at once.
BLOCK = 8192


class Format(NamedTuple):
    """How a format is written."""

    container: str  #: libsndfile's name
    encoding: str
    rates: tuple[int, ...]  #: sample rates it can hold; none: any
    compression: float | None  #: libsndfile's scale, 0 (largest file) to 1; none: its own choice
    overshoot_db: float  #: how much higher decoded peaks may be than encoded ones
    description: str


FORMATS = {
    "flac": Format("FLAC", "PCM_24", (), 0.375, 0.0, "lossless, and plays on phones and in browsers"),
    "wav": Format("WAV", "PCM_24", (), None, 0.0, "lossless, the largest"),
    "ogg": Format("OGG", "VORBIS", (), 0.4, 0.5, "compressed"),
    "opus": Format("OGG", "OPUS", (8000, 12000, 16000, 24000, 48000), 0.5, 0.5, "compressed"),
    "mp3": Format(
        "MP3", "MPEG_LAYER_III", (16000, 22050, 24000, 32000, 44100, 48000), 0.2, 0.5, "compressed, plays everywhere"
    ),
}
#: What a format takes that cannot hold the take's rate.
RATE_INSTEAD = 48_000


GENRE = "Practice"


@dataclass(frozen=True)
class Tags:
    """What a player shows. Nothing is said of the artist, whom nobody named, nor of how many tracks there are."""

    title: str
    take: str
    part: str
    bpm: float | None  #: None: no tempo is known
    number: int  #: of the track, from 1

    @property
    def comment(self) -> str:
        """Part and tempo, for which not every format has a field of its own."""
        if self.bpm is None:
            return self.part
        tempo = f"{self.bpm:.1f}".removesuffix(".0")
        return f"{self.part}, {tempo} bpm"


class _Disk:
    """A new file that remembers why the disk refused a byte.

    libsndfile asks nobody whether the last bytes of FLAC and Ogg, written as it closes, reached the disk.
    """

    def __init__(self, path: Path) -> None:
        try:
            self._file = FileIO(path, "w+")
        except OSError as error:
            raise _refusal(path, error) from error
        self.refused: OSError | None = None

    def __enter__(self) -> Self:
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, _: TracebackType | None) -> None:
        self._file.close()

    def write(self, data: bytes) -> int:
        """Write all of ``data``, or as much as goes; return how many bytes went."""
        done = 0
        try:
            while done < len(data):
                done += self._file.write(data[done:])
        except OSError as error:
            self.refused = self.refused or error
        return done

    def read(self, size: int) -> bytes:
        """Return up to ``size`` bytes from the present place."""
        return self._file.read(size) or b""

    def seek(self, place: int, whence: int = os.SEEK_SET) -> int:
        """Go to a place in the file, and return it."""
        return self._file.seek(place, whence)

    def tell(self) -> int:
        """Return the present place in the file."""
        return self._file.tell()


def write_sound(path: Path, sound: NDArray[np.float32], rate: int, name: str, tags: Tags) -> None:
    """Write ``sound``, (frames, channels), as ``FORMATS[name]`` with its tags.

    Raises OutputError if libsndfile cannot, or the disk takes less than the whole file; OSError if the tags of an MP3
    file find no room.
    """
    form = FORMATS[name]
    if form.rates and rate not in form.rates:
        import soxr

        sound, rate = soxr.resample(sound, rate, RATE_INSTEAD), RATE_INSTEAD
    title, take = printable(tags.title), printable(tags.take)  # names of files may hold bytes that are no text
    with _Disk(path) as disk:
        target: Any = disk  # any object that reads, writes, seeks and tells will do; the stubs know files alone
        try:
            with soundfile.SoundFile(
                target,
                "w",
                rate,
                sound.shape[1],
                subtype=form.encoding,
                format=form.container,
                compression_level=form.compression,
            ) as file:
                if name != "mp3":
                    file.title, file.album, file.genre = title, take, GENRE
                    file.tracknumber, file.comment = str(tags.number), tags.comment
                for first in range(0, len(sound), BLOCK):
                    file.write(sound[first : first + BLOCK])
        except (soundfile.LibsndfileError, ValueError, AssertionError) as error:
            if not disk.refused:
                if isinstance(error, AssertionError):
                    raise
                reason = str(error).rpartition(": ")[2].rstrip(".")
                raise OutputError(f"cannot write {path.name}: {reason}") from error
    if disk.refused:  # soundfile asserts that all frames were taken, or says nothing at all
        raise _refusal(path, disk.refused) from disk.refused
    if name == "mp3":
        block = id3_block(title=title, album=take, genre=GENRE, track=str(tags.number), comment=tags.comment)
        path.write_bytes(block + path.read_bytes())


def _refusal(path: Path, error: OSError) -> OutputError:
    reason = error.strerror or str(error)
    return OutputError(f"cannot write {path.name}: {reason[:1].lower()}{reason[1:]}")


def file_name(path: Path) -> Any:
    """Return ``path`` as soundfile takes it whatever bytes it holds (its type hints know no bytes)."""
    return path if os.name == "nt" else os.fsencode(path)
