"""Calibration of a model guitar: what is measured, what is complained of, and the rig that comes of it."""

from collections.abc import Callable, Mapping
from pathlib import Path

import numpy as np
import pytest
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from thumbline.dsp.calibration.calibrate import Calibration, calibrate
from thumbline.dsp.errors import InputError
from thumbline.dsp.rig.file import load_rig, rig_text, write_rig
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.demo_score import STRINGS
from thumbline.dsp.synthetic.model_take import add_bleed, bleed_matrix, hiss, hum, render_string
from thumbline.dsp.synthetic.string_model import Pluck

RATE = 24_000
BLEED = bleed_matrix(6, -24.0, 8.0, np.random.default_rng(1)).round(4)

Take = NDArray[np.float64]
Measure = Callable[..., Calibration]


def open_strings(cents: Mapping[int, float] = {}, *, gain: float = 1.0, hiss_db: float = -85.0) -> Take:
    """Frames (n, 6): silence, then each open string twice from the lowest up, some ``cents`` off."""
    rng = np.random.default_rng(2)
    frames = round((0.6 + 12 * 0.8 + 0.4) * RATE)
    strings = np.zeros((frames, 6))
    for string in range(1, 7):
        start = 0.6 + 1.6 * (6 - string)
        midi = round(STRINGS[string].open_midi) + cents.get(string, 0.0) / 100.0
        plucks = [Pluck(start, midi, start + 0.7, 0.8), Pluck(start + 0.8, midi, start + 1.5, 0.6)]
        strings[:, string - 1] = render_string(STRINGS[string], plucks, frames, RATE, rng)[0]
    return gain * add_bleed(strings, BLEED) + hiss(frames, 6, hiss_db, rng)


PLAIN = open_strings()


@pytest.fixture
def measure(tmp_path: Path) -> Measure:
    def run(take: Take, base: Rig | None = None) -> Calibration:
        path = tmp_path / "open strings.wav"
        soundfile.write(path, take, RATE, "FLOAT")
        return calibrate(path, base or Rig())

    return run


def complaints(found: Calibration, string: int) -> list[str]:
    return [warning for warning in found.warnings if warning.startswith(f"string {string} ")]


def test_a_guitar_in_order_is_measured_without_complaint(measure: Measure) -> None:
    found = measure(PLAIN)
    assert found.warnings == ()
    assert found.mains_hz is None
    assert [report.notes for report in found.strings] == [2] * 6
    assert all(report.played and report.clipped == 0 for report in found.strings)
    assert max(abs(report.cents or 0.0) for report in found.strings) < 3.0
    assert [report.string for report in found.strings] == [1, 2, 3, 4, 5, 6]


def test_the_bleed_is_found_with_its_polarity_and_named(measure: Measure) -> None:
    found = measure(PLAIN)
    matrix = np.array(found.rig.bleed.matrix)
    assert np.abs(matrix - BLEED).max() < 0.005
    heard = np.abs(BLEED) > 0.02
    np.testing.assert_array_equal(np.sign(matrix[heard]), np.sign(BLEED[heard]))
    assert (BLEED[heard] < 0).any()
    for s, report in enumerate(found.strings):
        others = np.abs(BLEED[s] - np.eye(6)[s])
        assert report.bleed_from == int(np.argmax(others)) + 1
        assert report.bleed_db == pytest.approx(20.0 * np.log10(others.max()), abs=1.0)


def test_hum_is_found_and_written(measure: Measure) -> None:
    humming = PLAIN + hum(len(PLAIN), 6, RATE, -60.0, 59.97, np.random.default_rng(3))
    found = measure(humming)
    assert found.mains_hz == pytest.approx(59.97, abs=0.02)
    assert found.rig.input.mains_hz == pytest.approx(59.97, abs=0.02)
    assert found.warnings == ()


@pytest.mark.parametrize("cents", [25.0, -25.0, 60.0])
def test_a_string_out_of_tune_is_named_with_how_much(measure: Measure, cents: float) -> None:
    found = measure(open_strings({3: cents}))
    assert found.strings[2].cents == pytest.approx(cents, abs=3.0)
    assert found.rig.detect.tuning_cents[2] == pytest.approx(cents, abs=3.0)
    (complaint,) = found.warnings
    assert complaint.startswith("string 3 (G3, channel 3)")
    assert "out of tune" in complaint
    assert f"{cents:+.0f}"[0] in complaint


def test_swapped_channels_are_recognised_from_what_they_sound_like(measure: Measure) -> None:
    found = measure(PLAIN[:, [0, 1, 2, 4, 3, 5]])
    assert len(found.warnings) == 2
    (fourth,), (fifth,) = complaints(found, 4), complaints(found, 5)
    assert "sounds like string 5 (A2)" in fourth
    assert "string 5 has channel 4" in fourth
    assert "sounds like string 4 (D3)" in fifth
    assert "string 4 has channel 5" in fifth


def test_following_that_advice_settles_the_matter(measure: Measure) -> None:
    base = Rig.model_validate({"input": {"channels": [1, 2, 3, 5, 4, 6]}})
    assert measure(PLAIN[:, [0, 1, 2, 4, 3, 5]], base).warnings == ()


@pytest.mark.parametrize(
    ("string", "note", "cents"),
    [
        (5, "G2", -200.0),
        (6, "F#2", 200.0),
        (1, "D4", -200.0),
        (6, "D2", -200.0),
    ],
)
def test_another_tuning_is_recognised(measure: Measure, string: int, note: str, cents: float) -> None:
    (complaint,) = measure(open_strings({string: cents})).warnings
    assert complaint.startswith(f"string {string} ")
    assert "another tuning" in complaint
    strings = [note if s == string else name for s, name in enumerate(Rig().instrument.strings, 1)]
    told = Rig.model_validate({"instrument": {"strings": strings}})
    assert measure(open_strings({string: cents}), told).warnings == ()


@pytest.mark.parametrize("dead", ["zeros", "noise", "bleed alone"])
def test_a_dead_channel_is_named(measure: Measure, dead: str) -> None:
    take = PLAIN.copy()
    if dead == "zeros":
        take[:, 1] = 0.0
    elif dead == "noise":
        take[:, 1] = hiss(len(take), 1, -85.0, np.random.default_rng(4))[:, 0]
    else:
        take[round(7.0 * RATE) : round(8.6 * RATE)] = take[: round(1.6 * RATE)][:1]  # string 2 was not played
        take[round(7.0 * RATE) : round(8.6 * RATE)] = hiss(round(1.6 * RATE), 6, -85.0, np.random.default_rng(5))
    found = measure(take)
    (complaint,) = found.warnings
    assert complaint.startswith("string 2 (B3, channel 2)")
    assert "never heard" in complaint
    report = found.strings[1]
    assert (report.played, report.notes, report.cents) == (False, 0, None)
    assert report.on_db > report.off_db


def test_clipping_is_named_with_the_samples(measure: Measure) -> None:
    take = PLAIN.copy()
    take[:, 5] = np.clip(20.0 * take[:, 5], -1.0, 1.0)
    found = measure(take)
    assert found.strings[5].clipped > 100
    assert any("clipped" in complaint for complaint in complaints(found, 6))
    assert [report.clipped for report in found.strings[:5]] == [0] * 5


def test_too_little_distance_to_the_noise_is_named(measure: Measure) -> None:
    found = measure(open_strings(gain=0.02, hiss_db=-76.0))
    assert any("above the noise" in warning for warning in found.warnings)


def test_much_bleed_is_named(measure: Measure) -> None:
    take = PLAIN.copy()
    take[:, 3] += 0.35 * take[:, 4]
    level_db = round(20.0 * np.log10(0.35 + BLEED[3, 4]))
    (complaint,) = measure(take).warnings
    assert complaint.startswith(f"string 4 (D3, channel 4): hears string 5 at {level_db} dB")


@pytest.mark.parametrize("kind", ["silence", "hiss", "nothing"])
def test_a_take_in_which_nothing_is_played_is_refused(measure: Measure, kind: str) -> None:
    frames = 0 if kind == "nothing" else RATE
    take = np.zeros((frames, 6))
    if kind == "hiss":
        take = hiss(5 * RATE, 6, -60.0, np.random.default_rng(6))
    with pytest.raises(InputError, match="no string is heard to be played; accepted: "):
        measure(take)


def test_what_the_base_says_beyond_measurement_is_kept(measure: Measure) -> None:
    base = Rig.model_validate(
        {
            "choice": {"rule": "lowest pitch", "shortest_ms": 30.0},
            "mutes": {"order": "gap", "modules": [{"name": "left foot", "channel": 3}]},
            "bass": {"interval": -7},
            "detect": {"on_db": [-1.0] * 6, "off_db": [-2.0] * 6},
        }
    )
    found = measure(PLAIN, base).rig
    assert (found.choice, found.mutes, found.bass, found.instrument) == (
        base.choice,
        base.mutes,
        base.bass,
        base.instrument,
    )
    assert max(map(float, found.detect.on_db)) < -20.0, "levels are measured anew"


def test_the_written_rig_loads_as_it_was_measured_and_says_why(measure: Measure, tmp_path: Path) -> None:
    found = measure(PLAIN)
    target = tmp_path / "found.toml"
    write_rig(target, rig_text(found.rig, found.reasons))
    assert load_rig(target) == found.rig
    text = target.read_text("utf-8")
    for reason in found.reasons.values():
        words = " ".join(line.lstrip("# ") for line in text.splitlines())
        assert " ".join(reason.split()) in " ".join(words.split())
    assert "open strings.wav" in text
    for key in ("mains_hz", "floor_db", "level_db", "on_db", "off_db", "tuning_cents", "matrix"):
        assert "auto" not in [line.split("=")[1].strip(' "') for line in text.splitlines() if line.startswith(key)]


def test_calibrating_with_its_own_result_changes_next_to_nothing(measure: Measure) -> None:
    first = measure(PLAIN).rig
    again = measure(PLAIN, first).rig
    assert again == first


@pytest.mark.parametrize("mains_hz", ["auto", "off"])
def test_progress_goes_from_nothing_to_all_and_never_back(tmp_path: Path, mains_hz: str) -> None:
    path = tmp_path / "take.flac"
    soundfile.write(path, PLAIN, RATE)
    shares: list[float] = []
    calibrate(path, Rig.model_validate({"input": {"mains_hz": mains_hz}}), shares.append)
    assert shares == sorted(shares)
    assert 0.0 < shares[0] <= 1.0
    assert shares[-1] == pytest.approx(1.0)


def test_half_a_step_down_is_told_in_one_line_that_mends_it(measure: Measure) -> None:
    found = measure(open_strings(dict.fromkeys(range(1, 7), -100.0)))
    line = 'set instrument.strings = ["D#4", "A#3", "F#3", "C#3", "G#2", "D#2"]'
    assert found.warnings == (f"all strings are tuned a semitone lower; {line}",)
    strings = ["D#4", "A#3", "F#3", "C#3", "G#2", "D#2"]
    mended = Rig.model_validate({"instrument": {"strings": strings}})
    assert measure(open_strings(dict.fromkeys(range(1, 7), -100.0)), mended).warnings == ()


def test_a_capo_is_told_in_one_line(measure: Measure) -> None:
    found = measure(open_strings(dict.fromkeys(range(1, 7), 200.0)))
    assert found.warnings == ("all strings sound 2 semitones higher; with a capo set instrument.capo = 2",)


def test_all_strings_the_other_way_round_are_told_in_one_line(measure: Measure) -> None:
    found = measure(PLAIN[:, ::-1])
    assert found.warnings == ("the strings arrive in another order; set input.channels = [6, 5, 4, 3, 2, 1]",)
    mended = Rig.model_validate({"input": {"channels": [6, 5, 4, 3, 2, 1]}})
    assert measure(PLAIN[:, ::-1], mended).warnings == ()


def test_a_channel_14_db_hotter_keeps_its_bleed(measure: Measure) -> None:
    hot = PLAIN * 0.2
    hot[:, 4] *= 5.0
    matrix = np.array(measure(hot).rig.bleed.matrix)
    scale = np.array([1.0, 1.0, 1.0, 1.0, 5.0, 1.0])
    np.testing.assert_allclose(matrix, BLEED * scale[:, np.newaxis] / scale, atol=0.02)


def test_flat_tops_below_full_scale_are_named(measure: Measure) -> None:
    flat = PLAIN.copy()
    ceiling = 0.5 * np.abs(flat[:, 2]).max()
    flat[:, 2] = np.clip(flat[:, 2], -ceiling, ceiling)
    found = measure(flat)
    assert [each for each in complaints(found, 3) if "flat tops below full scale" in each]
    assert not [each for each in found.warnings if "flat tops" in each and not each.startswith("string 3 ")]


def test_chords_alone_are_not_believed_of_bleed(measure: Measure) -> None:
    strummed = np.repeat(PLAIN[:, [3]], 6, axis=1) + hiss(len(PLAIN), 6, -85.0, np.random.default_rng(4))
    found = measure(strummed)
    assert [each for each in found.warnings if "is not believed" in each]
    assert [each for each in found.warnings if each.startswith("strings 1, 2, 3, 4, 5 and 6 carry the same sound")]
    assert np.array(found.rig.bleed.matrix).tolist() == np.eye(6).tolist()


def test_two_channels_with_one_sound_are_named(measure: Measure) -> None:
    take = PLAIN.copy()
    take[:, [1, 2]] = PLAIN[:, [1]] + PLAIN[:, [2]]
    found = measure(take)
    assert "strings 2 and 3 carry the same sound; one cable or channel for all of them?" in found.warnings


def test_notes_too_short_to_have_a_level_are_named(measure: Measure) -> None:
    take = hiss(len(PLAIN), 6, -85.0, np.random.default_rng(8))
    for start in range(round(0.6 * RATE), len(PLAIN), round(0.8 * RATE)):
        pluck = slice(start, start + round(0.12 * RATE))
        take[pluck] += PLAIN[pluck]
    assert [each for each in measure(take).warnings if "too short to measure levels by" in each]


def test_hum_near_the_notes_is_told_with_its_level(measure: Measure) -> None:
    humming = PLAIN + hum(len(PLAIN), 6, RATE, -42.0, 50.0, np.random.default_rng(3))
    found = measure(humming)
    assert found.mains_db == pytest.approx(-42.0, abs=3.5)  # coils differ by 3 dB either way
    assert [each for each in found.warnings if each.startswith("mains hum of ")]


def test_what_is_left_of_bleed_with_a_colour_is_in_the_report(measure: Measure) -> None:
    strings = PLAIN @ np.linalg.inv(BLEED).T
    dull = np.asarray(sosfilt(butter(1, 1500.0, fs=RATE, output="sos"), strings, axis=0))
    left = measure(strings + dull @ (BLEED - np.eye(6)).T).strings
    plain = measure(PLAIN).strings
    assert max(each.left_db or -100.0 for each in plain) < -60.0
    assert max(each.left_db or -100.0 for each in left) > -50.0


def test_strings_that_are_never_heard_alone_are_named(measure: Measure) -> None:
    strings = PLAIN @ np.linalg.inv(BLEED).T
    lowest = strings[round(0.6 * RATE) : round(2.1 * RATE), 5]
    together = np.zeros_like(strings)
    for string in range(6):
        own = strings[round((0.6 + 1.6 * (5 - string)) * RATE) :, string][: len(lowest)]
        for start in (1.0, 4.0, 7.0):
            together[round(start * RATE) : round(start * RATE) + len(own), string] += own
    found = measure(together @ BLEED.T + hiss(len(PLAIN), 6, -85.0, np.random.default_rng(4)))
    assert [each for each in found.warnings if "hardly ever heard alone" in each]
