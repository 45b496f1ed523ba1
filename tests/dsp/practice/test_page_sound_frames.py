"""The tape of the practice page, which runs in the audio thread, asked for its sound frame by frame."""

import base64
from typing import Any

import numpy as np
import pytest

from tests.material.practice_folder import (
    BASS_HZ,
    BEATS_S,
    GUITAR_HZ,
    RATE,
    SECONDS,
    plucks,
)
from thumbline.dsp.practice.page_sound import AFTER_S, BEFORE_S

#: Plays stems on a tape; sound goes in and out as base64 of 32-bit floats.
PLAY = """({ sound, onsets, beats, set, frames, rate }) => {
  const bytes = Uint8Array.from(atob(sound), (letter) => letter.charCodeAt(0));
  const all = new Float32Array(bytes.buffer), length = 50_000;
  const whole = new Blocks(all.length, 1, length);
  for (let at = 0; at < all.length; at += length) whole.put(at / length, [all.slice(at, at + length)]);
  const tape = new Tape(rate, [{ name: "bass", sound: whole, onsets }], beats);
  command(tape, { gains: { bass: 1, click: 0 }, ...set, play: true });
  for (const stem of tape.stems) stem.gain = stem.target;
  const left = new Float32Array(frames), right = new Float32Array(frames);
  for (let at = 0; at < frames; at += 128) {
    const to = Math.min(at + 128, frames);
    tape.render(left.subarray(at, to), right.subarray(at, to), to - at);
  }
  let text = "";
  const out = new Uint8Array(left.buffer);
  for (let at = 0; at < out.length; at += 8192) text += String.fromCharCode(...out.subarray(at, at + 8192));
  return btoa(text);
}"""


def sound_of(page: Any, sound: np.ndarray, onsets_s: list[float], seconds: float, **given: Any) -> np.ndarray:
    ask = {
        "sound": base64.b64encode(sound.astype("<f4").tobytes()).decode(),
        "onsets": [round(time_s * RATE) for time_s in onsets_s],
        "beats": [],
        "set": {},
        "frames": round(seconds * RATE),
        "rate": RATE,
    }
    return np.frombuffer(base64.b64decode(page.evaluate(PLAY, {**ask, **given})), "<f4").astype(float)


def attack_s(sound: np.ndarray, near_s: float) -> tuple[float, float]:
    """When the power over a millisecond first reaches a tenth of its maximum, and how long from there to a half."""
    first = round((near_s - 0.03) * RATE)
    part = sound[first : first + round(0.08 * RATE)]
    power = np.convolve(part**2, np.ones(RATE // 1000))[: len(part)]
    begin = int(np.argmax(power > 0.1 * power.max()))
    return (first + begin) / RATE, int(np.argmax(power > 0.5 * power.max()) - begin) / RATE


@pytest.mark.parametrize("speed", [0.5, 0.75, 0.9, 1.2])
def test_at_any_speed_pitch_beginnings_and_attacks_are_kept(page: Any, speed: float) -> None:
    sound = plucks(BASS_HZ, BEATS_S)
    played = sound_of(page, sound, BEATS_S, SECONDS / speed, set={"speed": speed})
    for onset_s in BEATS_S:
        due_s = onset_s / speed
        begin_s, rise_s = attack_s(played, due_s)
        true_s, true_rise_s = attack_s(sound, onset_s)
        assert abs(begin_s - due_s - (true_s - onset_s)) < 0.002
        assert abs(rise_s - true_rise_s) < 0.002
        part = played[round((due_s + 0.05) * RATE) : round((due_s + 0.05 + 0.2 / speed) * RATE)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 20))
        third = np.arange(len(spectrum)) * RATE / (1 << 20) / 3
        near = (third > 0.94 * BASS_HZ) & (third < 1.06 * BASS_HZ)
        hz = third[near][np.argmax(spectrum[near])]
        assert abs(1200 * np.log2(hz / BASS_HZ)) < 3.0


def test_at_the_take_s_speed_the_sound_is_the_take(page: Any) -> None:
    sound = plucks(BASS_HZ, BEATS_S).astype(np.float32)
    played = sound_of(page, sound, BEATS_S, SECONDS)
    np.testing.assert_array_equal(played, sound)


def test_a_loop_is_exact_and_seamless(page: Any) -> None:
    """The loop is no whole number of periods: the join is a fade, and its second difference is no greater than it is
    elsewhere, where a cut reads fifty times as much."""
    hz = 110.7
    sound = 0.3 * np.sin(2 * np.pi * hz * np.arange(round(SECONDS * RATE)) / RATE)
    loop = [RATE, RATE + 50_001]
    played = sound_of(page, sound, [], 6.0, set={"loop": loop, "seek": loop[0]})
    bend = np.abs(np.diff(played[RATE // 10 :], 2))
    cut = np.concatenate([sound[loop[0] : loop[1]]] * 3)
    assert bend.max() < 2.0 * np.median(np.abs(np.diff(sound, 2))) * np.pi / 2
    assert np.abs(np.diff(cut, 2)).max() > 20 * bend.max()
    for turn in range(1, 4):
        begin = turn * (loop[1] - loop[0]) + RATE // 100
        np.testing.assert_allclose(played[begin : begin + 4000], sound[loop[0] + RATE // 100 :][:4000], atol=1e-6)


@pytest.mark.parametrize("speed", [1.0, 0.6])
def test_the_click_is_on_the_beat_and_the_count_in_leads_to_it_to_the_frame(page: Any, speed: float) -> None:
    beats = [{"at": round(time_s * RATE), "accent": i % 4 == 0} for i, time_s in enumerate(BEATS_S)]
    ask = {"speed": speed, "countIn": 4, "seek": beats[4]["at"], "gains": {"bass": 0, "click": 1}}
    played = sound_of(page, np.zeros(round(SECONDS * RATE)), [], 5.0 / speed, beats=beats, set=ask)
    pace = round(0.5 * RATE / speed)
    for knock in range(8):
        first = knock * pace
        assert np.all(np.abs(played[max(first - 500, 0) : max(first - 1, 0)]) < 1e-3)
        assert np.abs(played[first : first + 48]).max() > 0.1


#: Decodes what the page holds, as it does itself: part, block, how many frames more than libsndfile wrote.
DECODE = """async ({ lengths }) => {
  const differences = [];
  for (const [part, wanted] of Object.entries(lengths)) {
    const element = document.querySelector(`script[data-stem="${part}"]`);
    const sound = await practice.player.context.decodeAudioData(bytesOf(element));
    differences.push(sound.length - wanted);
  }
  return differences;
}"""


def test_a_block_is_as_long_in_the_browser_as_it_was_made(page: Any) -> None:
    frames = round((SECONDS + BEFORE_S + AFTER_S) * RATE)
    assert max(map(abs, page.evaluate(DECODE, {"lengths": {"bass": frames, "guitar": frames}}))) <= 2


#: Two parts on a tape, with faders as given, through the guard; returns the left channel.
LOUD = """({ sounds, db, rate }) => {
  const bytes = (text) => new Float32Array(Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)).buffer);
  const parts = Object.entries(sounds).map(([name, text]) => ({ name, all: bytes(text) }));
  const frames = parts[0].all.length;
  const tape = makeTape(rate, { frames, length: frames, beats: [],
                                stems: parts.map(({ name }) => ({ name, channels: 1, onsets: [] })) });
  command(tape, { block: 0, sounds: Object.fromEntries(parts.map(({ name, all }) => [name, [all]])) });
  const gain = 10 ** (db / 20);
  const peak = (all) => all.reduce((most, each) => Math.max(most, Math.abs(each)), 0);
  const given = { index: { sound: { stems: parts.map(({ name, all }) => ({ part: name, peak: peak(all) })) } },
                  tell: (message) => command(tape, message) };
  Player.prototype.gains.call(given, { bass: gain, guitar: gain, click: 0 });
  for (const stem of tape.stems) stem.gain = stem.target;
  command(tape, { play: true });
  const guard = new Guard(rate);
  const left = new Float32Array(frames), right = new Float32Array(frames);
  for (let at = 0; at < frames; at += 128) {
    const [a, b] = [left.subarray(at, at + 128), right.subarray(at, at + 128)];
    tape.render(a, b, a.length);
    guard.process(a, b, a.length);
  }
  let text = "";
  const out = new Uint8Array(left.buffer);
  for (let at = 0; at < out.length; at += 8192) text += String.fromCharCode(...out.subarray(at, at + 8192));
  return btoa(text);
}"""


def through_faders(page: Any, db: float, **sounds: np.ndarray) -> np.ndarray:
    encoded = {part: base64.b64encode(sound.astype("<f4").tobytes()).decode() for part, sound in sounds.items()}
    return np.frombuffer(base64.b64decode(page.evaluate(LOUD, {"sounds": encoded, "db": db, "rate": RATE})), "<f4")


def test_no_fader_passes_the_ceiling_and_no_part_ducks_under_another(page: Any) -> None:
    """A steady bass under loud plucks: its level, read at its own frequency, stays where it is. Level by the root of
    the mean square of both, which the guard must leave where the finished tracks have it."""
    bass = 0.3 * np.sin(2 * np.pi * 60.0 * np.arange(round(SECONDS * RATE)) / RATE)
    guitar = 2.0 * plucks(GUITAR_HZ, BEATS_S)
    usual = through_faders(page, 0.0, bass=bass, guitar=guitar)
    late = round(0.005 * RATE) - 1  # what the guard looks ahead
    raw = (bass + guitar)[:-late]
    assert 20 * np.log10(np.std(usual[late:]) / np.std(raw)) == pytest.approx(0.0, abs=0.3)
    for db in (0.0, 12.0):
        heard = through_faders(page, db, bass=bass, guitar=guitar)
        assert np.abs(heard).max() <= 10 ** (-1 / 20) + 1e-6
        wave = np.exp(-2j * np.pi * 60.0 * np.arange(len(heard)) / RATE)
        tenths = np.abs((heard * wave)[RATE:].reshape(-1, RATE // 10).mean(axis=1))[:-1]
        assert 20 * np.log10(tenths.max() / tenths.min()) < 1.0


def test_sound_that_comes_late_is_waited_for_and_loses_nothing(page: Any) -> None:
    """Blocks that are brought only when they are asked for give the sound of the whole, and silence until they come."""
    played = page.evaluate(
        """(rate) => {
          const frames = 4 * rate, all = new Float32Array(frames).map((_, i) => Math.sin(i / 50));
          const stem = { name: "bass", channels: 1, onsets: [] };
          const tape = makeTape(rate, { frames, length: rate, stems: [stem], beats: [] });
          const part = (which) => all.slice(which * rate, (which + 1) * rate);
          const bring = (which) => command(tape, { block: which, sounds: { bass: [part(which)] } });
          bring(0);
          command(tape, { gains: { bass: 1, click: 0 }, play: true });
          const left = new Float32Array(tape.hop), right = new Float32Array(tape.hop), heard = [];
          let waits = 0;
          for (let i = 0; tape.playing && i < 400; i++) {
            tape.render(left, right, tape.hop);
            if (tape.waiting) { waits++; bring(Math.floor(tape.position / rate) + 1); } else heard.push(...left);
          }
          const off = heard.filter((each, i) => i < frames - rate / 10 && Math.abs(each - all[i]) > 1e-6).length;
          return { waits, off, length: heard.length / rate };
        }""",
        RATE,
    )
    assert played["waits"] >= 3
    assert played["off"] < 4 * 0.001 * RATE + 10  # it opens within a millisecond after each wait
    assert played["length"] == pytest.approx(4.0, abs=0.02)
