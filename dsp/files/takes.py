"""Takes: recordings with one string a channel, read as a stream of blocks.

A take is one sound file (whatever libsndfile reads), a folder of mono files, one per string, in the order that
`thumbline.dsp.files.mono_files` tells, or the folder of a take that was kept while it was played. Samples are float64,
full scale is 1.0; a float file may exceed it. Channels keep the file's order: which string each belongs to is the
processor's business.
"""

import logging
import os
import stat
import unicodedata
from collections.abc import Iterator, Sequence
from concurrent.futures import Future, ThreadPoolExecutor, wait
from contextlib import ExitStack, suppress
from functools import lru_cache
from pathlib import Path
from typing import Self, cast

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.mono_files import by_notes, mono_files
from thumbline.dsp.files.sound_ends import ends_within_a_frame, holds_no_length, missing_bytes, wrongly_read
from thumbline.dsp.files.sound_files import file_name
from thumbline.dsp.files.sound_headers import promised_and_present
from thumbline.dsp.sample_rates import HIGHEST_RATE, LOWEST_RATE

_log = logging.getLogger(__name__)


_READ_FRAMES = 16_384  # read at a time, whatever the block size, so that a call's cost is paid seldom
_UNKNOWN = 2**63 - 1  # libsndfile's frame count of a FLAC stream whose header leaves its length open
#: Names that Windows keeps for devices, with any suffix (Microsoft, "Naming Files, Paths, and Namespaces").
_DEVICES = frozenset(("CON", "PRN", "AUX", "NUL", *(f"{port}{n}" for port in ("COM", "LPT") for n in range(10))))
_ACCEPTED = "accepted are WAV, RF64, FLAC, AIFF, CAF and what else libsndfile reads"
# Public error numbers of libsndfile (sndfile.h, SF_ERR_UNRECOGNISED_FORMAT and following).
_REASONS = {
    1: "is not a sound file",
    3: "is damaged or cut short",
    4: "is in an encoding that cannot be read",
}


#: What makes a folder a take that was kept while it was played, and the sound in it.
KEPT, STRINGS = "kept.json", "strings.wav"


def kept_strings(path: Path) -> Path | None:
    """Return the file that holds the strings of a take that `thumbline live` kept; None if ``path`` is no such take."""
    with suppress(OSError):
        return path / STRINGS if (path / KEPT).is_file() and (path / STRINGS).is_file() else None


def state_of(path: Path) -> tuple[int, ...]:
    """Return what changes when a file is written to or exchanged. Raises InputError if it may not be seen."""
    status = _status(path)
    return status.st_dev, status.st_ino, status.st_size, status.st_mtime_ns


def take_name(path: str | os.PathLike[str]) -> str:
    """Return a take's name: a file's stem or a folder's name; never empty, hidden or a path."""
    place = Path(path)
    if place.name in ("", ".."):
        place = place.resolve()
    folder = False
    with suppress(OSError):
        folder = place.is_dir()
    name = (place.name if folder else place.stem).strip(". ") or "take"
    return f"{name}_" if os.name == "nt" and name.partition(".")[0].upper() in _DEVICES else name


@lru_cache
def _warn_of_open_length(name: str, form: str, state: tuple[int, ...]) -> None:
    """Say once of a file, as it is now, that nobody can tell whether it is whole."""
    del state
    _log.warning(
        "%s: the format %s does not say how long it should be: if the file was cut, nothing shows it.", name, form
    )


class _ForwardSound(soundfile.SoundFile):
    """A sound file that is only read forwards.

    After each read of a seekable file soundfile seeks to where it already is. In FLAC that decodes a frame
    anew for every block, and fails at the end of a stream of unknown length.
    """

    def seekable(self) -> bool:
        return False


class _SoundFile:
    """One file of a take, whose first channel is channel number ``first_channel`` (from 1) of the take."""

    def __init__(self, path: Path, first_channel: int) -> None:
        self.path = path
        self.name = printable(path)
        self._first_channel = first_channel
        if not stat.S_ISREG(_mode(path)):
            raise InputError(f"{self.name} is neither a file nor a folder; a take must be one of them")
        self._state = state_of(path)
        try:
            with path.open("rb") as stream:
                promised, present = promised_and_present(stream)
                missing = missing_bytes(stream)
        except OSError as error:
            raise InputError(f"cannot open the take {self.name}: {error.strerror}") from error
        if promised < 0:
            why = f"its header does not count the {present} frames that follow"
            raise InputError(f"{self.name} is damaged or was never closed: {why}; save it anew from an editor")
        if present < promised:
            raise self._cut_short(present, promised)
        if missing and promised == 0:
            raise InputError(f"{self.name} is damaged, cut short or was never closed: its header promises more sound")
        self._sound = self._decoder()
        try:
            self._examine(promised)
        except BaseException:
            self._sound.close()
            raise

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._sound.close()

    def _examine(self, promised: int) -> None:
        """Take over the file's properties; InputError if they cannot be used."""
        sound = self._sound
        self.sample_rate, self.channels, self.frames = sound.samplerate, sound.channels, sound.frames
        if wrongly_read(sound.format, sound.subtype):
            why = "which libsndfile is known to read wrongly"
            raise InputError(f"{self.name} is in the format {sound.format} ({sound.subtype}), {why}; {_ACCEPTED}")
        with self.path.open("rb") as stream:
            self.length_is_open = holds_no_length(stream, sound.format)
            torn = ends_within_a_frame(stream, sound.format, sound.subtype, self.channels)
        if torn:
            raise InputError(f"{self.name} is damaged or cut short: it ends within a frame")
        if self.frames < promised:
            raise self._cut_short(self.frames, promised)
        if not LOWEST_RATE <= self.sample_rate <= HIGHEST_RATE:
            has = f"{self.name} has a sample rate of {self.sample_rate} Hz"
            raise InputError(f"{has}; accepted are {LOWEST_RATE} to {HIGHEST_RATE} Hz")
        if self.frames == _UNKNOWN:
            self.frames = sum(len(block) for block in self.blocks(_READ_FRAMES))
        if self.length_is_open:
            _warn_of_open_length(self.name, sound.format, self._state)

    def _cut_short(self, readable: int, promised: int) -> InputError:
        of = "" if promised == _UNKNOWN else f"of the {promised} promised "
        return InputError(f"{self.name} is damaged or cut short: only {readable} {of}frames can be read")

    def _decoder(self) -> _ForwardSound:
        """Begin to decode at the start of the file."""
        try:
            return _ForwardSound(file_name(self.path))
        except (soundfile.LibsndfileError, TypeError) as error:  # TypeError: .raw, which has no header
            code = error.code if isinstance(error, soundfile.LibsndfileError) else 1
            reason = _REASONS.get(code, f"cannot be read as sound ({str(error).rpartition(': ')[2].rstrip('.')})")
            raise InputError(f"{self.name} {reason}; {_ACCEPTED}") from error

    def blocks(self, size: int) -> Iterator[NDArray[np.float64]]:
        """Yield the file from its start in blocks of ``size`` frames; the last may be shorter."""
        self._sound.close()
        sound = self._sound = self._decoder()
        self._refuse_changed(sound)
        done = 0
        while True:
            try:
                block = cast("NDArray[np.float64]", sound.read(size, dtype="float64", always_2d=True))
            except soundfile.LibsndfileError as error:
                self._refuse_changed(sound)
                with suppress(soundfile.LibsndfileError):
                    done = max(done, sound.tell())
                raise self._cut_short(done, self.frames) from error
            if len(block) == 0:
                break
            self._refuse_non_finite(block, done)
            done += len(block)
            yield block
        self._refuse_changed(sound)
        if done < self.frames != _UNKNOWN:
            raise self._cut_short(done, self.frames)

    def _refuse_changed(self, sound: _ForwardSound) -> None:
        """Raise InputError if the file is not what it was when it was opened: passes over a take must agree.

        One that is exchanged or written to between two looks of the same tick of the file system's clock (common
        practice: some milliseconds) is known by its length alone.
        """
        now = (sound.samplerate, sound.channels, self.frames if sound.frames == _UNKNOWN else sound.frames)
        if now != (self.sample_rate, self.channels, self.frames) or state_of(self.path) != self._state:
            raise InputError(f"{self.name} has changed while it was read; accepted is a take that is complete")

    def _refuse_non_finite(self, block: NDArray[np.float64], start: int) -> None:
        """Raise InputError at the first NaN or infinity of ``block``, which begins at frame ``start``."""
        finite = np.isfinite(block)
        if not finite.all():
            frame, channel = np.argwhere(~finite)[0]
            what = "NaN" if np.isnan(block[frame, channel]) else "infinity"
            time = f"{(start + frame) / self.sample_rate:.6f} s (frame {start + frame}, from 0)"
            where = f"channel {self._first_channel + channel} holds {what} at {time}"
            raise InputError(f"{self.name}: {where}; every sample must be finite")


def _mode(path: Path) -> int:
    """Return the file mode of ``path``; InputError if there is no such thing or it may not be seen."""
    return _status(path).st_mode


def _status(path: Path) -> os.stat_result:
    try:
        return path.stat()
    except (OSError, ValueError) as error:
        reason = error.strerror if isinstance(error, OSError) else error
        raise InputError(f"cannot open the take {printable(path)}: {reason}") from error


def _check_count(path: Path, count: int, unit: str, strings: int, channels: Sequence[int] | None) -> None:
    """Raise InputError unless ``count`` channels serve a rig of ``strings`` strings and this channel map."""
    highest = max(channels or [0])
    has = f"{printable(path)} has {count} {unit}{'' if count == 1 else 's'}"
    if highest > strings and count < highest:
        raise InputError(f"{has}, but the rig's input.channels names channel {highest}; mend either")
    if highest <= strings and count != strings:
        mend = "give instrument.strings one note per channel, or name the channels in input.channels"
        if count > strings and unit == "channel":
            mend += f" if they are not the first {strings}; else keep these alone in the file"
        raise InputError(f"{has}, but the rig has {strings} strings; in the rig, {mend}")


class Take:
    """An open take, made by `open_take`. A context manager: leaving it closes the files.

    Attributes: ``path`` as given, ``name`` (see `take_name`), ``is_folder``, ``files`` in the order of their channels,
    ``sample_rate`` in Hz, ``frames`` and ``channels`` (counts), ``length_is_open`` (whether a file does not say how
    long it should be, so that a cut one would not be noticed; said as a warning too).
    """

    def __init__(
        self, path: Path, strings: int, channels: Sequence[int] | None, notes: Sequence[str] | None = None
    ) -> None:
        self.path, self.name = path, take_name(path)
        self._reading: Future[NDArray[np.float64] | None] | None = None
        kept = kept_strings(path)
        self.is_folder = folder = stat.S_ISDIR(_mode(path)) and kept is None
        self.files = tuple(mono_files(path)) if folder else (kept or path,)
        if folder:
            _check_count(path, len(self.files), "mono file", strings, channels)
            if notes:
                self.files = tuple(by_notes(self.files, notes, channels or range(1, strings + 1)))
        with ExitStack() as opened:
            self._sounds = [opened.enter_context(_SoundFile(file, i)) for i, file in enumerate(self.files, 1)]
            first = self._sounds[0]
            self.sample_rate, self.frames = first.sample_rate, first.frames
            if folder:
                self._refuse_unequal_files()
            else:
                _check_count(path, first.channels, "channel", strings, channels)
            self._open_files = opened.pop_all()
        self.length_is_open = any(sound.length_is_open for sound in self._sounds)
        self.channels = sum(sound.channels for sound in self._sounds)

    def __enter__(self) -> Self:
        return self

    def __exit__(self, *_: object) -> None:
        self._await_reader()
        self._open_files.close()

    def _await_reader(self) -> None:
        """Let a pass that was left end its last reading: libsndfile must not lose a file that it decodes."""
        if self._reading is not None:
            wait([self._reading])

    def _refuse_unequal_files(self) -> None:
        """Raise InputError unless every file is mono and all have the same rate and length."""
        for sound in self._sounds:
            if sound.channels != 1:
                has = f"{sound.name} has {sound.channels} channels"
                raise InputError(f"{has}; each file of a take's folder must be mono")
            pair = f"{self._sounds[0].name} and {sound.name}"
            if sound.sample_rate != self.sample_rate:
                rates = f"{self.sample_rate} Hz and {sound.sample_rate} Hz"
                raise InputError(f"{pair} have sample rates of {rates}; the files of a take must have the same")
            if sound.frames != self.frames:
                lengths = f"{self.frames} and {sound.frames} frames"
                raise InputError(f"{pair} have {lengths}; the files of a take must be equally long")

    def blocks(self, size: int) -> Iterator[NDArray[np.float64]]:
        """Yield the take from its start in blocks of shape (``size``, channels), float64, C-contiguous.

        The last block may be shorter. May be called again for another pass, one pass at a time. Raises
        InputError where a sample is not finite or a file turns out to be damaged; ValueError if ``size`` < 1.
        """
        if size < 1:
            raise ValueError(f"block size {size}: at least 1 frame")
        self._await_reader()
        size = min(size, max(self.frames, 1))
        stretch = size * max(1, _READ_FRAMES // size)
        stretches = zip(*(sound.blocks(stretch) for sound in self._sounds), strict=True)

        def read() -> NDArray[np.float64] | None:
            parts = next(stretches, None)
            return None if parts is None else np.ascontiguousarray(np.concatenate(parts, axis=1))

        with ThreadPoolExecutor(1) as reader:  # decodes while the caller works on what it has
            self._reading = reader.submit(read)
            while (joined := self._reading.result()) is not None:
                self._reading = reader.submit(read)
                for start in range(0, len(joined), size):
                    yield joined[start : start + size]


def open_take(
    path: str | os.PathLike[str],
    strings: int,
    channels: Sequence[int] | None = None,
    notes: Sequence[str] | None = None,
) -> Take:
    """Open a recording of ``strings`` strings: a sound file, or a folder of mono files.

    With ``notes``, the open strings, string 1 first, mono files that are named by these go to their strings.

    ``channels`` (from 1, of string 1, 2, ...) is the rig's map. If it names a channel beyond ``strings``, the
    take must reach up to it; otherwise it must have exactly ``strings`` channels. Raises InputError for a
    take that cannot be used.
    """
    return Take(Path(path), strings, channels, notes)


def distinct_names(paths: Sequence[str | os.PathLike[str]]) -> list[str]:
    """Return the name of each take, in order.

    Raises InputError naming both paths if two names are equal, or differ only in ways that some file systems
    ignore (case, Unicode composition).
    """
    seen: dict[str, int] = {}
    names = [take_name(path) for path in paths]
    for index, name in enumerate(names):
        first = seen.setdefault(unicodedata.normalize("NFC", name).casefold(), index)
        if first != index:
            both = f"{printable(paths[first])} and {printable(paths[index])}"
            raise InputError(f"two takes have the same name {printable(name)!r}: {both}; rename one of them")
    return names
