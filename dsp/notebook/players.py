"""Sound inside a notebook: players that work in JupyterLab and in a document made from it, without any file beside it.

Begin with the volume turned down: a bass an octave below the guitar takes a lot of power, on headphones too.
"""

import base64
from dataclasses import dataclass
from html import escape
from io import BytesIO
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from thumbline.dsp.notebook.workbench import Sound, Workbench
from thumbline.dsp.rig.model import Rig

CAUTION = "Turn the volume down before you press play."


@dataclass(frozen=True)
class Players:
    """Players with captions, in order."""

    sounds: tuple[tuple[str, bytes], ...]  #: caption, FLAC file

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        """Return players and words, as IPython asks for them."""
        rows = "".join(
            f'<tr><td style="text-align:left">{escape(caption)}</td><td><audio controls preload="auto" '
            f'aria-label="{escape(caption)}" '
            f'src="data:audio/flac;base64,{base64.b64encode(sound).decode()}"></audio></td></tr>'
            for caption, sound in self.sounds
        )
        captions = ", ".join(caption for caption, _ in self.sounds)
        return {"text/html": f"<table>{rows}</table><p>{CAUTION}</p>", "text/plain": f"Players: {captions}. {CAUTION}"}


def players(sound: Sound, begin_s: float = 0.0, end_s: float | None = None) -> Players:
    """Return players of the bass, the remainder and both, from ``begin_s`` to ``end_s`` (default: the end)."""
    part = slice(round(begin_s * sound.rate), None if end_s is None else round(end_s * sound.rate))
    guitar = sound.guitar if sound.guitar.ndim == 2 else sound.guitar[:, np.newaxis]
    bass = sound.bass[:, np.newaxis]
    sounds = (("bass", bass[part]), ("guitar, the rest", guitar[part]), ("both", (bass + guitar)[part]))
    return Players(tuple((caption, flac(samples, sound.rate)) for caption, samples in sounds))


def hear_both(bench: Workbench, rig: Rig, begin_s: float = 0.0, end_s: float | None = None) -> Players:
    """Return players of a stretch with the rig as it was loaded (A) and with ``rig`` (B), to tell them by ear."""
    loaded, moved = (players(bench.sound(each), begin_s, end_s).sounds for each in (bench.rig, rig))
    pairs = [
        ((f"{caption}: A, as loaded", a), (f"{caption}: B, as the sliders are", b))
        for (caption, a), (_, b) in zip(loaded, moved, strict=True)
    ]
    return Players(tuple(sound for pair in pairs for sound in pair))


def flac(samples: NDArray[np.float64], rate: int) -> bytes:
    """Return samples (frames, channels), full scale 1, as a FLAC file of 16 bits; louder samples are clipped."""
    file = BytesIO()
    soundfile.write(file, np.clip(samples, -1.0, 1.0), rate, format="FLAC", subtype="PCM_16")
    return file.getvalue()
