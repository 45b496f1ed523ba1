"""The places in a take that are worth a look: where the bass is wrong, notes missed and false, and hand-overs."""

from dataclasses import dataclass

from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.notebook.workbench import Decisions
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.scoring.truth import TrueNote

#: A note is looked at so long after its onset, when it should be known, in seconds.
KNOWN_S = 0.04


@dataclass(frozen=True)
class Place:
    """A moment of the take, in seconds, with a description; ``note`` was missed or is false, if any."""

    words: str
    moment_s: float
    note: TrueNote | Note | None = None


def places(decisions: Decisions) -> list[Place]:
    """Return them: mistakes of the bass, then notes missed, then false ones, then hand-overs, each in order of time."""
    found: list[Place] = []
    for each in decisions.mistakes:
        had = f"string {each.found_string} has it" if each.found_string else "nobody has it"
        true = f"string {each.true_string} is the bass" if each.true_string else "nothing sounds"
        found.append(Place(f"{each.begin_s:.2f} s, wrong: {true}, {had}", (each.begin_s + each.end_s) / 2))
    for kind, notes in (("missed", decisions.missed), ("false", decisions.false)):
        for note in notes:
            words = f"{note.onset_s:.2f} s, {kind}: {midi_to_note(round(note.midi))} on string {note.string}"
            found.append(Place(words, note.onset_s + KNOWN_S, note))
    for each in decisions.handovers:
        to = f"to string {each.string}" if each.string else "to none"
        found.append(Place(f"{each.time_s:.2f} s, hand-over {to}", each.decided_s + 0.001))
    return found
