"""A short note is a note: any model note of 50 ms or more, with any decay above 30 ms, is found.

Muted by the palm or cut off by the hand, on every string, loud and soft, with a finger or a plectrum.
"""

from dataclasses import dataclass

import numpy as np
import pytest

from tests.material.rigs import quiet_rig
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.palm_mute import PalmMute
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 48_000
EVERY_S = 0.5
PER_STRING = 40
ONSET_S = 0.01
CENTS = 50.0


@dataclass(frozen=True)
class Heard:
    """One string's true notes, and what was found."""

    plucks: list[Pluck]
    notes: list[Note]
    bassline: list[Note]

    def missed(self) -> list[str]:
        """True notes without a found one on the string within 10 ms and 50 cents, in words."""
        words = []
        for pluck in self.plucks:
            near = [note for note in self.notes if abs(note.onset_s - pluck.start_s) <= ONSET_S]
            if not any(100 * abs(note.midi - pluck.midi) <= CENTS for note in near):
                decay = f"palm {1e3 * pluck.palm.decay_s:.0f} ms" if pluck.palm else "no palm"
                length = f"{1e3 * (pluck.stop_s - pluck.start_s):.0f} ms"
                words.append(f"at {pluck.start_s:.3f} s, fret {pluck.midi:.0f}, {length}, {decay}: {near}")
        return words


def short_notes(string: int, palm: bool, rng: np.random.Generator) -> list[Pluck]:
    plucks = []
    for index in range(PER_STRING):
        start_s = 0.4 + EVERY_S * index + rng.uniform(0.0, 0.1)
        length_s = rng.uniform(0.05, 0.35)
        thumb = rng.random() < 0.5
        plucks.append(
            Pluck(
                start_s,
                STRINGS[string].open_midi + int(rng.integers(0, 13)),
                start_s + length_s,
                rng.uniform(0.4, 0.95),
                pluck_mm=140.0 if thumb else 100.0,
                width_mm=5.0 if thumb else 2.0,
                damp_s=0.012,
                palm=PalmMute(float(np.exp(rng.uniform(np.log(0.03), np.log(0.3))))) if palm else None,
            )
        )
    return plucks


@pytest.fixture(scope="module", params=[(s, palm) for s in STRINGS for palm in (True, False)], ids=str)
def heard(request: pytest.FixtureRequest) -> Heard:
    string, palm = request.param
    rng = np.random.default_rng([string, palm])
    plucks = short_notes(string, palm, rng)
    frames = round((plucks[-1].stop_s + 0.3) * RATE)
    take = hiss(frames, len(STRINGS), -90.0, rng)
    take[:, string - 1] += render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
    rig = quiet_rig()
    processor, transcript = Processor(rig, RATE), Transcript(rig, RATE)
    transcript.feed(processor.decide(take))
    transcript.feed(processor.finish())
    return Heard(plucks, transcript.notes, transcript.bassline(frames / RATE))


def test_every_short_note_is_found_at_its_onset_and_pitch(heard: Heard) -> None:
    assert heard.missed() == []


def test_no_short_note_is_found_twice(heard: Heard) -> None:
    for note in heard.notes:
        assert any(abs(note.onset_s - pluck.start_s) <= ONSET_S for pluck in heard.plucks), note
    assert len(heard.notes) <= len(heard.plucks)


def test_every_short_note_that_is_found_is_in_the_bass_line(heard: Heard) -> None:
    """One string sounds, so its notes are the bass line."""
    assert [note.onset_s for note in heard.bassline] == [note.onset_s for note in heard.notes]
    assert [note.offset_s for note in heard.bassline] == [note.offset_s for note in heard.notes]
