"""Every note that was missed and every false one with its reason, and the setting that most reasons name."""

from collections import Counter
from dataclasses import dataclass
from typing import Any

from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.notebook.workbench import Workbench
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.scoring.missed_notes import Unmatched, why_false, why_missed

#: A table shows so many notes at most.
MOST_SHOWN = 40


@dataclass(frozen=True)
class Reasons:
    """The notes, in order of time: those missed, then the false ones."""

    notes: tuple[Unmatched, ...]

    @property
    def setting(self) -> str | None:
        """The setting that most of them name, such as "detect.on_db"; None if none names one."""
        named = Counter(each.setting for each in self.notes if each.setting)
        return named.most_common(1)[0][0] if named else None

    @property
    def headline(self) -> str:
        """How many there are, and what to look at, in a sentence or two."""
        missed = sum(each.kind == "missed" for each in self.notes)
        counted = f"{missed} missed, {len(self.notes) - missed} false"
        if self.setting is None:
            return f"Notes of all strings: {counted}."
        named = sum(each.setting == self.setting for each in self.notes)
        return f"Notes of all strings: {counted}. {named} of the reasons name {self.setting}: sweep that."

    def as_markdown(self) -> str:
        """Return the headline and a table."""
        rows = [
            f"| {each.note.onset_s:.2f} s | {each.note.string} | {midi_to_note(round(each.note.midi))} "
            f"| {each.kind} | {each.why} |"
            for each in self.notes[:MOST_SHOWN]
        ]
        more = [f"| ... | | | | {len(self.notes) - MOST_SHOWN} more |"] if len(self.notes) > MOST_SHOWN else []
        head = ["| at | string | note | | why |", "|--:|:-:|:-:|:--|:--|"] if rows else []
        return "\n".join([f"**{self.headline}**", "", *head, *rows, *more])

    def _repr_mimebundle_(self, include: Any = None, exclude: Any = None) -> dict[str, Any]:
        """Return table and text, as IPython asks for them."""
        lines = "\n".join(f"  {each.words}" for each in self.notes[:MOST_SHOWN])
        return {"text/markdown": self.as_markdown(), "text/plain": f"{self.headline}\n{lines}".rstrip()}


def explain_notes(bench: Workbench, rig: Rig | None = None) -> Reasons:
    """Return why ``rig`` (default: as loaded) misses notes of the take on the bench and finds false ones."""
    rig = rig or bench.rig
    decisions = bench.decisions(rig)
    missed = why_missed(bench.frames, bench.rate, rig, decisions.missed, decisions.false)
    return Reasons((*missed, *why_false(bench.frames, bench.rate, rig, decisions.false)))
