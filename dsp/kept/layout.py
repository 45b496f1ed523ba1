"""The folder of a kept take.

==============  =======================================================================================
file            content
==============  =======================================================================================
strings.wav     all input channels as they came in
bass.wav        the bass line as it went out; guitar.wav the rest, left and right
events.csv      one row per pluck, note, hand-over, mute, song, key and switch: see :data:`EVENT_COLUMNS`
controls.csv    from which frame on what was asked of the processor: see ``MARK`` in ``thumbline.dsp.live.record``
rig.toml        the settings that were in force, those of further songs in rig-2.toml and so on
kept.json       written first: sample rate, bits, when it began, names and rigs of the settings
==============  =======================================================================================

Rows and frames are in step: what is in the tables is in the sound.
"""

import json
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from thumbline.dsp.errors import InputError, printable
from thumbline.dsp.files.growing_wav import Bits
from thumbline.dsp.files.takes import KEPT, STRINGS, kept_strings
from thumbline.dsp.rig.file import load_rig, rig_text
from thumbline.dsp.rig.model import Rig

__all__ = ["BASS", "CONTROLS", "CONTROL_COLUMNS", "EVENTS", "EVENT_COLUMNS", "GUITAR", "KEPT", "STRINGS"]

BASS, GUITAR = "bass.wav", "guitar.wav"
EVENTS, CONTROLS = "events.csv", "controls.csv"
#: ``time_s`` from the first frame, ``clock`` by the computer's clock; ``value`` in the unit that ``event`` has.
EVENT_COLUMNS = ("time_s", "clock", "event", "string", "value")
CONTROL_COLUMNS = (
    *("frame", "anew", "setting_before", "setting", "split", "hold", "character", "level", "tone_hz", "ratio"),
)
_LAYOUT = 1


@dataclass(frozen=True)
class KeptTake:
    """What the folder of a kept take says of it."""

    folder: Path
    began: str  #: date and time, ISO 8601
    names: tuple[str, ...]  #: of the settings
    rigs: tuple[Rig, ...]

    @property
    def rig(self) -> Rig:
        """The rig of the first setting."""
        return self.rigs[0]


def make_kept_folder(
    folder: Path, settings: Sequence[tuple[str, Rig]], *, version: str, began: str, rate: int, bits: Bits, inputs: int
) -> None:
    """Make ``folder``, which must not exist or be empty, with all that is known before anything is played.

    Raises InputError if it holds anything or cannot be made.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        if any(folder.iterdir()):
            raise InputError(
                f"--keep is {printable(folder)}, which holds files; accepted: a new folder, or an empty one"
            )
        listed = []
        for number, (name, rig) in enumerate(settings, 1):
            file = "rig.toml" if number == 1 else f"rig-{number}.toml"
            (folder / file).write_text(rig_text(rig), "utf-8")
            listed.append({"name": name, "rig": file})
        facts = {"layout": _LAYOUT, "version": version, "began": began, "rate": rate, "bits": bits, "inputs": inputs}
        (folder / KEPT).write_text(json.dumps({**facts, "settings": listed}, indent=2) + "\n", "utf-8")
    except OSError as error:
        raise InputError(f"--keep is {printable(folder)}, which cannot be written: {error.strerror}") from error


def kept_take(path: Path) -> KeptTake | None:
    """Return what is known of the take at ``path`` if it is a kept one, else None.

    Raises InputError if its folder is damaged.
    """
    if kept_strings(path) is None:
        return None
    facts = _facts(path)
    settings = facts.get("settings")
    if facts.get("layout") != _LAYOUT or not isinstance(settings, list) or not settings:
        raise InputError(f"{printable(path / KEPT)}: is damaged, or of another version; give --rig to split it anew")
    try:
        names = tuple(str(each["name"]) for each in settings)
        files = [Path(str(each["rig"])).name for each in settings]
    except (KeyError, TypeError):
        raise InputError(f"{printable(path / KEPT)}: is damaged; give --rig to split it anew") from None
    return KeptTake(path, str(facts.get("began", "")), names, tuple(load_rig(path / file) for file in files))


def _facts(path: Path) -> dict[str, Any]:
    try:
        facts = json.loads((path / KEPT).read_text("utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        raise InputError(f"{printable(path / KEPT)}: cannot be read ({error}); give --rig to split it anew") from None
    return facts if isinstance(facts, dict) else {}


def rig_for(path: Path) -> Rig:
    """Return the rig that a take was played with, if it was kept, else the default one."""
    kept = kept_take(path)
    return Rig() if kept is None else kept.rig
