"""Players inside a notebook."""

import base64
import re
from io import BytesIO

import numpy as np
import soundfile

from tests.material.benches import demo_bench
from thumbline.dsp.notebook.players import CAUTION, flac, hear_both, players
from thumbline.dsp.notebook.workbench import Sound

RATE = 48_000
RAMP = np.linspace(-0.5, 0.5, RATE)


def heard(html: str) -> list[tuple[np.ndarray, int]]:
    return [soundfile.read(BytesIO(base64.b64decode(data))) for data in re.findall(r"audio/flac;base64,([^\"]+)", html)]


def test_players_hold_the_bass_the_guitar_and_both_as_they_are() -> None:
    shown = players(Sound(RATE, RAMP, 0.25 * RAMP[::-1]))._repr_mimebundle_()
    sounds = heard(shown["text/html"])
    assert [rate for _, rate in sounds] == [RATE] * 3
    for (sound, _), expected in zip(sounds, (RAMP, 0.25 * RAMP[::-1], RAMP + 0.25 * RAMP[::-1]), strict=True):
        np.testing.assert_allclose(sound, expected, atol=1 / 32768)


def test_a_stretch_can_be_heard_alone_and_stereo_stays_stereo() -> None:
    stereo = np.column_stack([RAMP, -RAMP])
    sounds = heard(players(Sound(RATE, RAMP, stereo), 0.25, 0.75)._repr_mimebundle_()["text/html"])
    assert [sound.shape for sound, _ in sounds] == [(24_000,), (24_000, 2), (24_000, 2)]
    np.testing.assert_allclose(sounds[1][0], stereo[12_000:36_000], atol=1 / 32768)


def test_what_is_too_loud_is_clipped_and_the_caution_is_there() -> None:
    sound, _ = soundfile.read(BytesIO(flac(np.array([[2.0], [-2.0], [0.5]]), RATE)))
    np.testing.assert_allclose(sound, [1.0, -1.0, 0.5], atol=1 / 16384)
    shown = players(Sound(RATE, RAMP, RAMP))._repr_mimebundle_()
    assert CAUTION in shown["text/html"]
    assert CAUTION in shown["text/plain"]


def test_two_rigs_are_heard_one_beside_the_other() -> None:
    bench = demo_bench()
    shown = hear_both(bench, bench.rig.changed({"bass.level_db": -60.0}), 6.0, 6.5)
    captions = [caption for caption, _ in shown.sounds]
    assert captions[:2] == ["bass: A, as loaded", "bass: B, as the sliders are"]
    (loud, _), (soft, _) = (soundfile.read(BytesIO(sound)) for _, sound in shown.sounds[:2])
    assert len(loud) == len(soft) == 24_000
    assert np.abs(soft).max() < 0.01 < np.abs(loud).max()
