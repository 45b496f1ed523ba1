"""Finished tracks as files: lossless and compressed, with tags.

libsndfile writes the sound, mutagen the tags: Vorbis comments (Xiph.Org, "Ogg Vorbis I format specification: comment
field and header specification") in FLAC, Ogg Vorbis and Opus, ID3v2.4 frames (id3.org, "ID3 tag version 2.4.0 - Native
Frames") in MP3 and WAV.
"""

from dataclasses import dataclass
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import OutputError
from thumbline.dsp.libsndfile import file_name

#: Frames written at a time; libsndfile's Vorbis encoder runs out of stack on a whole track at once.
BLOCK = 8192


class Format(NamedTuple):
    """How a format is written."""

    container: str  #: libsndfile's name
    encoding: str
    rates: tuple[int, ...]  #: sample rates it can hold; none: any
    compression: float | None  #: libsndfile's scale, 0 (largest file) to 1; none: its own choice
    overshoot_db: float  #: how much higher the peaks of what is decoded may be than those of what was encoded
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


@dataclass(frozen=True)
class Tags:
    """What a player shows."""

    title: str
    take: str
    part: str
    bpm: float | None  #: None: no tempo is known
    number: int  #: of the track among those of its disc, from 1
    disc: int  #: tracks of one speed are a disc, numbered by the speed in percent


def write_sound(path: Path, sound: NDArray[np.float32], rate: int, name: str) -> None:
    """Write ``sound``, (frames, channels), as ``FORMATS[name]``. Raises OutputError if libsndfile cannot."""
    form = FORMATS[name]
    if form.rates and rate not in form.rates:
        import soxr

        sound, rate = soxr.resample(sound, rate, RATE_INSTEAD), RATE_INSTEAD
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
            for first in range(0, len(sound), BLOCK):
                file.write(sound[first : first + BLOCK])
    except (soundfile.LibsndfileError, ValueError) as error:
        reason = str(error).rpartition(": ")[2].rstrip(".")
        raise OutputError(f"cannot write {path.name}: {reason}") from error


def _with_id3(path: Path, name: str) -> Any:
    """Open an MP3 or WAV file, with ID3 tags, if only empty ones."""
    if name == "wav":
        from mutagen.wave import WAVE as Holder  # noqa: N811
    else:
        from mutagen.mp3 import MP3 as Holder  # noqa: N811
    file = Holder(path)
    if file.tags is None:
        file.add_tags()
    return file


def write_tags(path: Path, name: str, tags: Tags) -> None:
    """Replace the tags of a file of ``FORMATS[name]``."""
    bpm = None if tags.bpm is None else f"{tags.bpm:.1f}".removesuffix(".0")
    if name in ("mp3", "wav"):
        from mutagen import id3

        # The frame for the tempo holds whole numbers only: the title has the rest.
        frames: list[Any] = [
            id3.TIT2(encoding=3, text=tags.title),
            id3.TALB(encoding=3, text=tags.take),
            id3.TIT3(encoding=3, text=tags.part),
            id3.TRCK(encoding=3, text=str(tags.number)),
            id3.TPOS(encoding=3, text=str(tags.disc)),
        ]
        if tags.bpm is not None:
            frames.append(id3.TBPM(encoding=3, text=str(round(tags.bpm))))
            frames.append(id3.TXXX(encoding=3, desc="tempo", text=f"{bpm} bpm"))
        file = _with_id3(path, name)
        file.tags.clear()
        for frame in frames:
            file.tags.add(frame)
        file.save()
        return
    if name == "flac":
        from mutagen.flac import FLAC as Kind  # noqa: N811
    elif name == "ogg":
        from mutagen.oggvorbis import OggVorbis as Kind
    else:
        from mutagen.oggopus import OggOpus as Kind
    Kind(path).delete()
    tagged: Any = Kind(path)
    for field, text in (
        ("TITLE", tags.title),
        ("ALBUM", tags.take),
        ("PART", tags.part),
        ("BPM", bpm),
        ("TRACKNUMBER", str(tags.number)),
        ("DISCNUMBER", str(tags.disc)),
    ):
        if text is not None:
            tagged[field] = [text]
    tagged.save()
