"""Notes of 50 to 100 ms survive in everything that is made of notes, and sound as they were played."""

import re
from pathlib import Path
from typing import Any

import librosa
import mido
import numpy as np
import pytest
import soundfile

from tests.material.rigs import quiet_rig
from thumbline.dsp.beats.tempo import Beats
from thumbline.dsp.live.bass_line import LiveBassLine
from thumbline.dsp.memory.records import BASS
from thumbline.dsp.midi.mutes import plan_mutes
from thumbline.dsp.midi.smf import write_bass_midi
from thumbline.dsp.practice.bass_fingering import fingered
from thumbline.dsp.practice.bass_midi import write_bass_midi_with_beats
from thumbline.dsp.practice.source import read_source
from thumbline.dsp.practice.tablature import draw_tablature, tablature_text
from thumbline.dsp.processor.notes import Note, make_note
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.processor.processor import Processor
from thumbline.dsp.processor.transcript import Transcript
from thumbline.dsp.results.sheet import Sheet
from thumbline.dsp.scoring.score import score
from thumbline.dsp.scoring.true_bass import TrueBass
from thumbline.dsp.scoring.truth import TrueNote
from thumbline.dsp.sound.stretch import stretch
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import hiss, render_string
from thumbline.dsp.synthetic.palm_mute import PalmMute
from thumbline.dsp.synthetic.string_model import Pluck, Signal, midi_to_hz

RATE = 48_000
FIRST_S, EVERY_S, COUNT = 0.5, 0.25, 24
BEATS = Beats(np.arange(0.5, 20.0, 0.5), 0, 4, "given", True)


class Played:
    """A line of short notes that walks over the four lowest strings, and what the processor makes of it."""

    def __init__(self, length_s: float) -> None:
        rng = np.random.default_rng(round(1000 * length_s))
        self.plucks: dict[int, list[Pluck]] = {string: [] for string in STRINGS}
        for index in range(COUNT):
            string = (6, 5, 6, 4, 5, 3)[index % 6]
            start_s = FIRST_S + EVERY_S * index
            midi = STRINGS[string].open_midi + int(rng.integers(0, 8))
            self.plucks[string].append(Pluck(start_s, midi, start_s + length_s, 0.7, damp_s=0.012))
        self.seconds = FIRST_S + EVERY_S * COUNT + 0.5
        frames = round(self.seconds * RATE)
        self.take = hiss(frames, len(STRINGS), -90.0, rng)
        for string, plucks in self.plucks.items():
            self.take[:, string - 1] += render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
        processor, self.transcript = Processor(quiet_rig(), RATE), Transcript(quiet_rig(), RATE)
        out, events = processor.process(self.take)
        self.events = np.concatenate([events, processor.finish()])
        self.transcript.feed(self.events)
        self.bass: Signal = out[:, BASS]
        self.rows = self.transcript.bassline(self.seconds)

    @property
    def in_order(self) -> list[tuple[int, Pluck]]:
        pairs = [(string, pluck) for string, plucks in self.plucks.items() for pluck in plucks]
        return sorted(pairs, key=lambda pair: pair[1].start_s)


@pytest.fixture(scope="module", params=[0.05, 0.06, 0.1], ids=lambda length_s: f"{1000 * length_s:.0f} ms")
def played(request: pytest.FixtureRequest) -> Played:
    return Played(request.param)


def key(pluck: Pluck) -> int:
    return round(pluck.midi)


def test_each_is_a_row_of_the_bass_line_of_its_length(played: Played) -> None:
    assert len(played.rows) == COUNT
    for row, (string, pluck) in zip(played.rows, played.in_order, strict=True):
        assert (row.string, round(row.midi)) == (string, key(pluck))
        assert row.onset_s == pytest.approx(pluck.start_s, abs=0.01)
        assert row.offset_s == pytest.approx(pluck.stop_s, abs=0.02)


def test_each_scores_as_found(played: Played) -> None:
    truth = [
        TrueNote(string, pluck.midi, pluck.start_s, pluck.stop_s, pluck.stop_s, pluck.stop_s)
        for string, pluck in played.in_order
    ]
    notes = played.transcript.notes
    mutes = plan_mutes(played.transcript.open_sets(), played.seconds, strings=6)
    found = score(TrueBass(truth), played.rows, notes, mutes, strings=6)
    assert found.bass[0.05].f == 1.0


def test_each_opens_its_own_mute_within_5_ms_of_its_pluck(played: Played) -> None:
    decisions = plan_mutes(played.transcript.open_sets(), played.seconds, strings=6)
    for _, pluck in played.in_order[1:]:
        open_strings = set(range(1, 7))
        for decision in decisions:
            if decision.time_s <= pluck.start_s + 0.005:
                (open_strings.add if decision.open else open_strings.discard)(decision.string)
        string = next(s for s, plucks in played.plucks.items() if pluck in plucks)
        assert open_strings == {string}


def note_spans(file: mido.MidiFile) -> list[tuple[int, float, float]]:
    """Key, begin and end in seconds of each note."""
    spans, begun, now = [], {}, 0.0
    for message in file:
        now += message.time
        if message.type == "note_on" and message.velocity:
            begun[message.note] = now
        elif message.type in ("note_on", "note_off"):
            spans.append((message.note, begun.pop(message.note), now))
    assert not begun
    return sorted(spans, key=lambda span: span[1])


@pytest.mark.parametrize("beats", [None, BEATS], ids=["plain", "with beats"])
def test_each_is_a_note_of_its_length_in_the_midi_file(played: Played, tmp_path: Path, beats: Beats | None) -> None:
    path = tmp_path / "bass.mid"
    if beats is None:
        count = write_bass_midi(path, played.rows, interval=-12, end_s=played.seconds)
    else:
        count = write_bass_midi_with_beats(path, played.rows, beats, interval=-12, end_s=played.seconds)
    spans = note_spans(mido.MidiFile(path))
    assert count == len(spans) == COUNT
    lead_s = spans[0][1] - played.rows[0].onset_s  # a file with beats may begin with a bar more
    for (midi, begin, end), row, (_, pluck) in zip(spans, played.rows, played.in_order, strict=True):
        assert midi == key(pluck) - 12
        assert begin - lead_s == pytest.approx(row.onset_s, abs=0.002)
        assert end - begin == pytest.approx(row.offset_s - row.onset_s, abs=0.003)


def test_each_is_a_note_that_is_sent_live_and_ends_before_the_next(played: Played) -> None:
    line = LiveBassLine(1, 2)
    line.tune(440.0, -12.0, compile_parameters(quiet_rig(), RATE)[0]["typical_power"])
    on: list[tuple[int, float]] = []
    off: list[float] = []
    for event in played.events.tolist():
        for message in line.feed(event):
            if message[0] & 0xF0 == 0x90:
                on.append((message[1], event[1] / RATE))
            elif message[0] & 0xF0 == 0x80:
                off.append(event[1] / RATE)
    assert [midi for midi, _ in on] == [key(pluck) - 12 for _, pluck in played.in_order]
    for (_, begin), end, (_, pluck) in zip(on, off, played.in_order, strict=True):
        assert pluck.start_s < begin < pluck.start_s + 0.035
        assert end - begin > 0.02
        assert end < pluck.stop_s + 0.04


def test_each_has_its_fret_in_the_tablature(played: Played) -> None:
    text = tablature_text("Low Tide", fingered(played.rows, -12), BEATS, played.seconds)
    lines = [line for line in text.splitlines() if "|" in line]
    frets = [fret for line in lines for fret in re.findall(r"(?<=[-|])\d+", line)]
    assert sorted(frets) == sorted(str(note.fret) for note in fingered(played.rows, -12))
    assert len(frets) == COUNT


def drawn_frets(monkeypatch: pytest.MonkeyPatch, path: Path, rows: list[Note], seconds: float) -> list[str]:
    frets: list[str] = []
    words = Sheet.words

    def listen(sheet: Sheet, x: float, y: float, text: str, font: Any, colour: str, *more: Any) -> None:
        if colour == "white":
            frets.append(text)
        words(sheet, x, y, text, font, colour, *more)

    monkeypatch.setattr(Sheet, "words", listen)
    draw_tablature(path, "Low Tide", fingered(rows, -12), BEATS, seconds)
    return frets


def test_each_has_its_fret_in_the_picture_of_the_tablature(
    played: Played, monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    frets = drawn_frets(monkeypatch, tmp_path / "tab.png", played.rows, played.seconds)
    assert sorted(frets) == sorted(str(note.fret) for note in fingered(played.rows, -12))
    assert len(frets) == COUNT


def test_a_short_note_just_before_a_row_of_the_tablature_is_drawn_once(
    monkeypatch: pytest.MonkeyPatch, tmp_path: Path
) -> None:
    """Four bars fill a row, so a row ends at 8.5 s."""
    note = make_note(quiet_rig(), 6, 8.443, 8.497, 110.0, -25.0)
    assert drawn_frets(monkeypatch, tmp_path / "tab.png", [note], 18.0) == [
        "0"
    ]  # an octave down it is the open A string of the bass


def voiced(x: Signal, near_hz: float) -> float:
    """Pitch by librosa's YIN in one frame that is all of ``x``."""
    lowest = max(0.75 * near_hz, 2.05 * RATE / len(x))
    hz = librosa.yin(x, fmin=lowest, fmax=1.35 * near_hz, sr=RATE, frame_length=len(x), center=False)
    return float(hz[0])


def test_the_shifted_voice_of_each_has_its_pitch(played: Played) -> None:
    """An octave down by librosa's YIN, which needs two periods: the notes of 60 ms and more above D1."""
    asked = 0
    for _, pluck in played.in_order:
        hz = midi_to_hz(pluck.midi) / 2
        first, end = round((pluck.start_s + 0.004) * RATE), round((pluck.stop_s + 0.004) * RATE)
        if (end - first) / RATE < 2.3 / hz:
            continue
        asked += 1
        assert abs(1200 * np.log2(voiced(played.bass[first:end], hz) / hz)) < 50
    assert asked >= 6


def test_each_keeps_its_pitch_and_place_at_half_speed(played: Played, tmp_path: Path) -> None:
    """The practice track's bass, stretched to twice its length, by librosa's YIN."""
    soundfile.write(tmp_path / "low tide.wav", played.take, RATE, subtype="FLOAT")
    source = read_source(tmp_path / "low tide.wav", quiet_rig())
    assert [round(row.midi) for row in source.bassline] == [key(pluck) for _, pluck in played.in_order]
    slow = np.asarray(stretch(source.bass, 2.0), np.float64)
    asked = 0
    for _, pluck in played.in_order:
        hz = midi_to_hz(pluck.midi) / 2
        sound = slow[round((2 * pluck.start_s + 0.015) * RATE) : round((2 * pluck.stop_s + 0.004) * RATE)]
        assert np.sqrt(np.mean(sound**2)) > 0.01
        if len(sound) / RATE >= 2.6 / hz:
            asked += 1
            assert abs(1200 * np.log2(voiced(sound, hz) / hz)) < 50
    assert asked >= 6


def levels_db(x: Signal, start_s: float, stop_s: float, span_s: float) -> Signal:
    parts = [x[round(at * RATE) : round((at + span_s) * RATE)] for at in np.arange(start_s, stop_s - span_s, 0.005)]
    return np.array([10 * np.log10(np.mean(part**2) + 1e-12) for part in parts])


def test_the_bass_sounds_as_long_as_the_string(played: Played) -> None:
    """From 5 ms after the pluck to the stop the bass is no more than 6 dB below the string, over 25 ms (a period)."""
    for string, pluck in played.in_order:
        span = pluck.start_s + 0.005, pluck.stop_s, 0.025
        own, bass = levels_db(played.take[:, string - 1], *span), levels_db(played.bass, *span)
        assert len(own) >= 4
        assert (bass - own).min() > -6.0


@pytest.mark.parametrize("decay_s", [0.03, 0.06, 0.12, 0.3])
def test_the_bass_follows_a_palm_muted_string_down(decay_s: float) -> None:
    """Over 25 ms, until it is 30 dB down (24 where it dies soon): no more than 6 dB below it, and no echo above it.

    The voice lags by a period of the bass at most, in which a string with this decay falls by 7 dB. A low E that dies
    away within 30 ms has no second period by which to tell it from a thump before the bass goes back: it begins at G2.
    """
    rng = np.random.default_rng(5)
    lowest = 43.0 if decay_s < 0.06 else 40.0
    plucks = [Pluck(0.4 + 0.4 * i, lowest + i, 0.65 + 0.4 * i, 0.8, palm=PalmMute(decay_s)) for i in range(8)]
    take = hiss(round(3.9 * RATE), 6, -90.0, rng)
    take[:, 5] += render_string(STRINGS[6], plucks, len(take), RATE, rng)[0]
    bass = Processor(quiet_rig(), RATE).process(take)[0][:, BASS]
    for pluck in plucks:
        span = pluck.start_s + 0.005, pluck.stop_s, 0.025
        own, ours = levels_db(take[:, 5], *span), levels_db(bass, *span)
        sounds = own > own.max() - (24.0 if decay_s < 0.06 else 30.0)
        assert (ours - own)[sounds].min() > -6.0
        assert (ours - own)[sounds].max() < 10.0
