"""Finished tracks as files: lossless and compressed, with tags.

libsndfile writes both: Vorbis comments in FLAC, Ogg Vorbis and Opus, the INFO list of RIFF in WAV. Of MP3 it writes the
sound alone: its tags there are right for ASCII only (see `thumbline.dsp.files.id3`). Tags are written with the sound,
once.
"""

import os
from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

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


def write_sound(path: Path, sound: NDArray[np.float32], rate: int, name: str, tags: Tags) -> None:
    """Write ``sound``, (frames, channels), as ``FORMATS[name]`` with its tags.

    Raises OutputError if libsndfile cannot, OSError if the tags of an MP3 file find no room.
    """
    form = FORMATS[name]
    if form.rates and rate not in form.rates:
        import soxr

        sound, rate = soxr.resample(sound, rate, RATE_INSTEAD), RATE_INSTEAD
    title, take = printable(tags.title), printable(tags.take)  # names of files may hold bytes that are no text
    try:
        with soundfile.SoundFile(
            file_name(path),
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
    except (soundfile.LibsndfileError, ValueError) as error:
        reason = str(error).rpartition(": ")[2].rstrip(".")
        raise OutputError(f"cannot write {path.name}: {reason}") from error
    if name == "mp3":
        block = id3_block(title=title, album=take, genre=GENRE, track=str(tags.number), comment=tags.comment)
        path.write_bytes(block + path.read_bytes())


def file_name(path: Path) -> Any:
    """Return ``path`` as soundfile takes it whatever bytes it holds (its type hints know no bytes)."""
    return path if os.name == "nt" else os.fsencode(path)
