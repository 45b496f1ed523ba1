"""Thumbline's processor and everything it computes: no device, no terminal.

>>> import thumbline.dsp as tl
>>> frames, rate = tl.read_take("data/demo.flac")
>>> found = tl.split(frames[: 4 * rate], rate, tl.load_rig("data/demo.toml"))
>>> found.bass_line.intervals.shape[1], found.bass.shape == (4 * rate,)
(2, True)

The public names are those of ``__all__``. Each is loaded when it is first used, so importing this package loads neither
NumPy nor the compiler.
"""

from typing import TYPE_CHECKING, Any

from thumbline.dsp.api.lazy import load

if TYPE_CHECKING:
    from thumbline.dsp.api.scoring import score
    from thumbline.dsp.api.split import Split, split
    from thumbline.dsp.api.tables import HandOvers, Notes, Pitches
    from thumbline.dsp.api.take import calibrate, read_take
    from thumbline.dsp.api.track import Track, track
    from thumbline.dsp.calibration.calibrate import Calibration
    from thumbline.dsp.errors import InputError
    from thumbline.dsp.processor.processor import Processor
    from thumbline.dsp.results.render import Rendered, render_take
    from thumbline.dsp.rig.file import load_rig
    from thumbline.dsp.rig.model import Rig
    from thumbline.dsp.scoring.score import Score
    from thumbline.dsp.scoring.truth import TrueNote, load_truth

    __version__: str

__all__ = [
    "Calibration",
    "HandOvers",
    "InputError",
    "Notes",
    "Pitches",
    "Processor",
    "Rendered",
    "Rig",
    "Score",
    "Split",
    "Track",
    "TrueNote",
    "__version__",
    "calibrate",
    "load_rig",
    "load_truth",
    "read_take",
    "render_take",
    "score",
    "split",
    "track",
]

#: Where the public names live.
_HOMES = {
    "Calibration": "calibration.calibrate",
    "HandOvers": "api.tables",
    "InputError": "errors",
    "Notes": "api.tables",
    "Pitches": "api.tables",
    "Processor": "processor.processor",
    "Rendered": "results.render",
    "Rig": "rig.model",
    "Score": "scoring.score",
    "Split": "api.split",
    "Track": "api.track",
    "TrueNote": "scoring.truth",
    "calibrate": "api.take",
    "load_rig": "rig.file",
    "load_truth": "scoring.truth",
    "read_take": "api.take",
    "render_take": "results.render",
    "score": "api.scoring",
    "split": "api.split",
    "track": "api.track",
}


def __getattr__(name: str) -> Any:
    """Load a public name when it is first used (PEP 562)."""
    if name == "__version__":
        from importlib.metadata import version

        return version("thumbline")
    return load(__name__, _HOMES, name)


def __dir__() -> list[str]:
    """Return the public names, loaded or not."""
    return sorted({*globals(), *__all__})
