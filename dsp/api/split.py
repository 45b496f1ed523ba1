"""A take in memory, split as `thumbline render` splits a file."""

from collections.abc import Iterator
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from thumbline.dsp.api.tables import HandOvers, Notes, Pitches
from thumbline.dsp.api.take import checked_frames
from thumbline.dsp.calibration.survey import complete_for_take, survey
from thumbline.dsp.files.passes import BLOCK
from thumbline.dsp.memory.records import BASS, LEFT, RIGHT
from thumbline.dsp.midi.mutes import MuteDecision
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.rig.model import Rig


@dataclass(frozen=True, eq=False)
class Split:
    """What became of a take.

    Attributes
    ----------
    rate : int
        Frames per second.
    rig : Rig
        The rig with what was measured.
    bass : ndarray, shape (n,)
        The bass line's sound.
    guitar : ndarray, shape (n,), or (n, 2) if ``rig.guitar.stereo``
        The rest of the guitar.
    notes, bass_line : Notes
        Notes of all strings, and the stretches of them that are the bass.
    pitch : Pitches
        Pitch reports of all strings.
    hand_overs : HandOvers
        The moments at which the bass passes to another string, as the overview shows them.
    """

    rate: int
    rig: Rig
    bass: NDArray[np.float64]
    guitar: NDArray[np.float64]
    notes: Notes
    bass_line: Notes
    pitch: Pitches
    hand_overs: HandOvers
    #: The same as rows, for `score`.
    note_rows: tuple[Note, ...] = field(repr=False)
    bass_rows: tuple[Note, ...] = field(repr=False)
    mutes: tuple[MuteDecision, ...] = field(repr=False)


def split(frames: NDArray[np.floating], rate: int, rig: Rig | None = None) -> Split:
    """Split a take into the bass line and the rest of the guitar.

    The result is that of `thumbline render`, sample by sample.

    Parameters
    ----------
    frames : ndarray, shape (n, channels)
        Real samples, full scale 1, one channel per string.
    rate : int
        Frames per second, 22,050 to 192,000.
    rig : Rig, optional
        Settings of the guitar; a six-string in standard tuning by default. What it leaves open ("auto") is measured
        from ``frames``.

    Returns
    -------
    Split
        Sound as arrays; notes, bass line, pitch and hand-overs as columns.

    Raises
    ------
    InputError
        If the shape or the rate is not accepted; the message names the value.

    Examples
    --------
    >>> import numpy as np
    >>> import thumbline.dsp as tl
    >>> frames, rate = tl.read_take("data/demo.flac")
    >>> found = tl.split(frames[: 8 * rate], rate, tl.load_rig("data/demo.toml"))
    >>> found.bass.shape == (8 * rate,)
    True
    >>> len(found.notes) >= len(np.unique(found.bass_line.strings)) > 1
    True
    >>> tl.split(frames[:1000].T, rate)
    Traceback (most recent call last):
    thumbline.dsp.errors.InputError: frames have shape (6, 1000); accepted: (frames, channels), 6 channels or more; \
these look like (channels, frames): pass frames.T
    """
    rig = Rig() if rig is None else rig
    take = checked_frames(frames, rig)

    def blocks() -> Iterator[NDArray[np.float64]]:
        return (take[first : first + BLOCK] for first in range(0, len(take), BLOCK))

    measured = survey(blocks, rig, rate)
    rig = complete_for_take(rig, measured)
    processor, transcript = Processor(rig, rate, measured.hum), Transcript(rig, rate)
    sound, reports = [], []
    for block in blocks():
        out, events = processor.process(block)
        sound.append(out)
        reports += transcript.feed(events)
    reports += transcript.feed(processor.finish())
    heard = np.concatenate(sound) if sound else np.zeros((0, 3))
    seconds = len(take) / rate
    notes = tuple(transcript.notes_in_order())
    bass_rows = tuple(transcript.bassline(seconds))
    return Split(
        rate=rate,
        rig=rig,
        bass=heard[:, BASS],
        guitar=heard[:, [LEFT, RIGHT]] if rig.guitar.stereo else heard[:, LEFT],
        notes=Notes.of(notes),
        bass_line=Notes.of(bass_rows),
        pitch=Pitches.of(reports),
        hand_overs=HandOvers.of(transcript.path()),
        note_rows=notes,
        bass_rows=bass_rows,
        mutes=tuple(transcript.mutes(seconds)),
    )
