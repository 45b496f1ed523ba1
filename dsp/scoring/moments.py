"""The moments of a scored take that are worth a closer look, the worst first picked."""

from dataclasses import dataclass

from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.scoring.score import Mistake, Score
from thumbline.dsp.scoring.true_bass import Spanned

#: A note that is missed or false weighs as much as the bass on the wrong string for this long, in seconds.
NOTE_WEIGHT_S = 0.02


@dataclass(frozen=True)
class Moment:
    """Something that went wrong, from ``begin_s`` to ``end_s``, in words."""

    begin_s: float
    end_s: float
    weight_s: float
    words: str


def moments(score: Score) -> list[Moment]:
    """Return all that went wrong, in order of time."""
    found = [
        *(_of_mistake(each) for each in score.mistakes),
        *(_of_note(each, "missed") for each in score.missed),
        *(_of_note(each, "false") for each in score.false),
    ]
    return sorted(found, key=lambda each: each.begin_s)


def worst(score: Score, count: int, span_s: float) -> list[tuple[float, list[Moment]]]:
    """Return the beginnings of up to ``count`` stretches of ``span_s`` and what went wrong in each, in order of time.

    The stretches do not overlap, and hold the weightiest moments.
    """
    every = moments(score)
    begins: list[float] = []
    for each in sorted(every, key=lambda each: -each.weight_s):
        begin_s = max(0.0, (each.begin_s + min(each.end_s, each.begin_s + span_s)) / 2 - span_s / 2)
        if len(begins) < count and all(abs(begin_s - other) >= span_s for other in begins):
            begins.append(begin_s)
    return [
        (begin_s, [each for each in every if each.begin_s < begin_s + span_s and each.end_s > begin_s])
        for begin_s in sorted(begins)
    ]


def _of_mistake(mistake: Mistake) -> Moment:
    lasts_s = mistake.end_s - mistake.begin_s
    if not mistake.found_string:
        what = f"no bass, string {mistake.true_string} is"
    elif not mistake.true_string:
        what = f"string {mistake.found_string} though nothing sounds"
    else:
        what = f"string {mistake.found_string} instead of {mistake.true_string}"
    return Moment(mistake.begin_s, mistake.end_s, lasts_s, f"{what} for {1e3 * lasts_s:.0f} ms")


def _of_note(note: Spanned, what: str) -> Moment:
    words = f"{what} bass note {midi_to_note(note.midi)} on string {note.string}"
    return Moment(note.onset_s, note.offset_s, NOTE_WEIGHT_S, words)
