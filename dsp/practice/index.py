"""The index of a practice folder, ``index.json``: all that a player of the tracks needs to know.

The file is UTF-8 JSON, one object. Times are in seconds; *take time* runs from the first frame of the take, at the
speed at which it was played. File names are relative to the folder. Levels in dB, loudness in LUFS (ITU-R BS.1770).

==================  ==================================================================================================
``layout``          1; goes up when a reader of the old layout would go wrong
``version``         of the program
``take``            name of the take
``seconds``         its length
``sample_rate``     of all tracks, in Hz
``instrument``      ``strings`` (open notes without capo, string 1 first), ``capo`` (fret), ``a4_hz``,
                    ``bass_interval`` (semitones from the string as played to the bass as heard: -12)
``transpose``       semitones by which the sound of all tracks, tablature, MIDI and ``heard`` differ from the take
``line``            ``as_heard`` (whether the bass line keeps what only passes), ``passing`` (how many stretches of the
                    bass under 50 ms were left out of it: a strum passing by, the rest of a chord)
``rig_misfit``      why the rig seems to be that of another guitar; empty if it fits, or nobody has looked
``tempo``           ``source`` ("given", "tapped", "estimated", or "none": the take tells no tempo), ``bpm`` (median;
                    null without a tempo), ``steady`` (whether the beats are a strict grid), ``beats_per_bar``,
                    ``confidence`` (estimated: 0 to 1, how likely these beats are the player's; else null)
``beats``           rows ``[time_s, bar, beat]``: take time, bar from 1 (0 and less: before the first whole bar),
                    beat from 1; none without a tempo
``bars``            ``bar``, ``start_s``, ``end_s``: take time
``speeds``          percent, falling: [100, 75, 60]
``stems``           see below
``tracks``          see below
``loops``           ``name``, ``start_s``, ``end_s`` (take time), ``first_bar``, ``last_bar`` (null if the ends are no
                    bar lines), ``source`` ("phrase": found; "asked": by the user)
``bass_notes``      notes of the bass line in order of time, see below
``guitar_notes``    notes of all strings while they are not the bass, likewise
``pictures``        by name ("overview", "tablature"): ``file``, ``width``, ``height`` (pixels) and ``rows``: where time
                    runs in the picture: ``start_s``, ``end_s`` (take time), ``left``, ``right``, ``top``, ``bottom``
``texts``           by name: file. ``tablature``; ``musicxml`` (missing without a tempo)
``midi``            by name: ``bass``: file (the bass line as heard), with the tempo and bar lines of the beats
``page``            file that plays both parts in a browser
``stays``           files of earlier runs that the last one was not asked for; they are in none of the lists above
``made_from``       what each file was made from, for a rerun; of no meaning to a player
``check``           digest of everything else; if it does not match, the file was edited and a rerun ignores it
==================  ==================================================================================================

A *stem* is one part alone, to be mixed by the player. The stems of one speed, each raised by its ``mix_gain_db``, sum
to the take as played; the click then has its usual level.

==================  ==================================================================================================
``part``            "bass", "guitar" or "click"
``speed``           percent
``files``           by format ("flac", "wav", "ogg", "opus", "mp3"): file; the same sound in each
``starts_s``        where the file begins, on the clock of its speed: 0.0, or less where a count-in leads; take time
                    ``t`` is heard at ``t * 100 / speed - starts_s`` in the file
``seconds``         its length
``channels``        1 or 2
``mix_gain_db``     brings it to its level in the mix
==================  ==================================================================================================

A *track* is a finished file to play along with. It has ``part``, ``speed``, ``files``, ``starts_s``, ``seconds`` and
``channels`` as a stem has (bass and guitar alone serve as both), and

==================  ==================================================================================================
``name``            unique, and the stem of its file names
``title``           for people
``part``            "bass", "guitar", "both", "bass-lead" (guitar quieter), "guitar-lead" (bass quieter),
                    "both-click", or "loop"
``bpm``             of the track: that of the take, scaled; null without a tempo
``click``           "off", "count-in" or "throughout"
``gains_db``        by stem, what was added to the balance as played; a stem that is left out is missing
``placement``       "together", or "apart" (bass left, guitar right)
``loudness_lufs``   integrated loudness as measured on the finished sound, without count-ins
``true_peak_dbtp``  highest true peak, 4x oversampled
``loop``            null, or ``name``, ``start_s``, ``end_s`` (take time), ``count_in_s`` (length of a count-in at
                    100 %), ``early_s`` (how much earlier than ``start_s`` and ``end_s`` it is cut, so that a note that
                    comes before its bar line is whole) and ``passes``: rows ``[starts_s, speed]``, where in the file
                    each repeat begins, and its speed
==================  ==================================================================================================

A note has ``onset_s``, ``offset_s`` (take time), ``string``, ``fret`` (from the capo), ``note`` and ``midi`` (as played
on the string), ``velocity`` (1 to 127), and ``heard`` (name of the note as it sounds in the tracks).
"""

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from thumbline.dsp.files.digests import digest
from thumbline.dsp.files.made_files import INDEX as FILE

LAYOUT = 1


def write_index(folder: Path, index: Mapping[str, Any]) -> None:
    """Write ``index`` (all but ``layout`` and ``check``) into ``folder``. Raises ValueError for NaN and infinity."""
    whole = {"layout": LAYOUT, **index}
    content = json.dumps(whole | {"check": digest(whole)}, indent=1, allow_nan=False, ensure_ascii=False)
    (folder / FILE).write_text(content + "\n", "utf-8")


def read_index(folder: Path) -> dict[str, Any] | None:
    """Return the index of ``folder`` without ``check``, or None if there is none that the program left so."""
    try:
        index = json.loads((folder / FILE).read_text("utf-8"))
        if index["layout"] != LAYOUT or index.pop("check") != digest(index):
            return None
        names = [*index["made_from"]["files"], *index.setdefault("stays", [])]  # earlier versions removed what stays
    except (OSError, ValueError, KeyError, TypeError, AttributeError, RecursionError):
        return None
    # Names are joined to the folder, and what is no longer wanted is removed.
    return index if all(name == Path(name).name for name in names) else None
