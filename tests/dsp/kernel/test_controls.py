"""Split, hold, level, tone, interval and settings, changed while sound passes: what they do, and that nothing clicks.

A click is looked for in the second difference of the sound, which it dominates.
"""

from collections.abc import Callable, Iterable

import numpy as np
import pytest
from scipy import signal

from thumbline.dsp.kernel.controls import RAMP_S, change_setting, start_ramp
from thumbline.dsp.kernel.process import process
from thumbline.dsp.memory.events import BY_RULE, END, HANDOVER, LOCK, PLUCK, take_events
from thumbline.dsp.memory.records import BASS, LEFT, OUTPUTS, RIGHT, initial_state
from thumbline.dsp.processor.parameters import compile_settings
from thumbline.dsp.rig.model import Rig
from thumbline.dsp.synthetic.string_model import Pluck, Signal

RATE = 48_000
#: Where controls are changed: a whole number of blocks of 64 frames from the start.
AT = 64 * 450


class Player:
    """The kernel with settings to switch between."""

    def __init__(self, *rigs: Rig) -> None:
        self.params = compile_settings([(str(n), rig) for n, rig in enumerate(rigs)], RATE)
        self.state = initial_state(self.params[:1])
        self.setting = 0
        self._read = 0

    def play(self, frames: Signal, block: int = 4096) -> Signal:
        out = np.empty((len(frames), OUTPUTS))
        for first in range(0, len(frames), block):
            process(self.params[self.setting], self.state[0], frames[first : first + block], out[first : first + block])
        return out

    def switch(self, setting: int) -> None:
        change_setting(self.params[self.setting], self.params[setting], self.state[0])
        self.setting = setting

    def ask(self, **controls: float) -> None:
        for name, value in controls.items():
            self.state[0]["controls"][name] = value

    def events(self, *kinds: int) -> np.ndarray:
        events, self._read = take_events(self.state[0], self._read)
        return events[np.isin(events["kind"], kinds)]


@pytest.fixture(scope="module")
def ringing(play: Callable[..., Signal]) -> Signal:
    """Two strings that ring on: the lowest, at its third fret, and the D string above it."""
    return play({6: Pluck(0.05, 43.0), 4: Pluck(0.1, 57.0)}, 1.2, RATE)


def bend(sound: Signal) -> float:
    """Greatest second difference."""
    return float(np.abs(np.diff(sound, 2)).max())


def most_bend(steady: Iterable[Signal]) -> float:
    """What passes for no click beside steady sounds: a quarter more than theirs, or a thousandth of the peak.

    The thousandth is for sounds as smooth as a sine: the corner where a ramp begins. A hard switch reaches the peak.
    """
    return max(max(1.25 * bend(sound), 1e-3 * float(np.abs(sound).max())) for sound in steady)


AROUND = slice(AT - 480, AT + 4800)
CHANGES = {
    "softer": {"level": 0.1},
    "louder": {"level": 1.9},
    "silent": {"level": 0.0},
    "darker": {"tone_hz": 200.0},
    "open": {"tone_hz": 20000.0},
    "as played": {"ratio": 1.0},
    "a fifth down": {"ratio": 2.0 ** (-7 / 12)},
    "two octaves down": {"ratio": 0.25},
    "fingered": {"character": 3},
}


@pytest.mark.parametrize("voice", ["shifted", "synth"])
@pytest.mark.parametrize("change", CHANGES.values(), ids=CHANGES.keys())
def test_a_change_of_level_tone_or_interval_does_not_click(
    ringing: Signal, change: dict[str, float], voice: str
) -> None:
    rig = Rig.model_validate({"bass": {"voice": voice}})
    before, after, changed = Player(rig), Player(rig), Player(rig)
    after.ask(**change)
    steady = [player.play(ringing)[AROUND, BASS] for player in (before, after)]
    first = changed.play(ringing[:AT])
    changed.ask(**change)
    out = np.concatenate([first, changed.play(ringing[AT:])])
    assert bend(out[AROUND, BASS]) < most_bend(steady)


def test_a_hard_change_of_level_would_be_heard_by_this_measure(ringing: Signal) -> None:
    out = Player(Rig()).play(ringing)[:, BASS]
    peak = AT + int(np.argmax(np.abs(out[AT : AT + 400])))
    hard = out.copy()
    hard[peak:] *= 0.1
    assert bend(hard[AROUND]) > 5 * bend(out[AROUND])


def test_level_and_tone_arrive_within_the_ramp_and_are_exact(ringing: Signal) -> None:
    player, plain = Player(Rig()), Player(Rig())
    player.play(ringing[:AT])
    player.ask(level=0.5)
    out = player.play(ringing[AT:])[:, BASS]
    wanted = plain.play(ringing)[AT:, BASS]
    settled = round(RAMP_S * RATE) + 2000  # the low-pass remembers the ramp for a moment
    np.testing.assert_allclose(out[settled:], 0.5 * wanted[settled:], atol=1e-9)
    player.ask(level=1.0)
    out = player.play(ringing[-12000:])[:, BASS]
    assert float(player.state[0]["now"]["bass_gain"]) == float(player.params[0]["bass_gain"])


@pytest.mark.parametrize("hz", [80.0, 440.0, 3000.0, 12000.0, 20000.0])
def test_the_low_pass_is_the_butterworth_filter_that_scipy_designs(hz: float) -> None:
    player = Player(Rig())
    player.ask(tone_hz=hz)
    player.play(np.zeros((2 * round(RAMP_S * RATE), 6)))
    section = np.asarray(signal.butter(2, hz, fs=RATE, output="sos"))[0]
    np.testing.assert_allclose(player.state[0]["now"]["tone"], section[[0, 1, 2, 4, 5]], rtol=1e-9, atol=1e-12)


def test_the_low_pass_is_left_out_where_the_rate_has_no_room_for_it() -> None:
    player = Player(Rig())
    player.params["rate"] = 44100.0
    player.ask(tone_hz=20000.0)
    player.play(np.zeros((2 * round(RAMP_S * RATE), 6)))
    assert player.state[0]["now"]["tone"].tolist() == [1.0, 0.0, 0.0, 0.0, 0.0]


def test_a_pedal_that_moves_in_steps_makes_no_zipper_noise(ringing: Signal) -> None:
    """From full to a tenth in 127 steps, as a pedal sends them, 4 ms apart: no rougher than the note itself."""
    player, plain = Player(Rig()), Player(Rig())
    steady = plain.play(ringing)[:, BASS]
    parts = [player.play(ringing[:AT])]
    for step, first in enumerate(range(AT, len(ringing), 192)):
        player.ask(level=10.0 ** (-min(step, 127) / 127))
        parts.append(player.play(ringing[first : first + 192], 64))
    out = np.concatenate(parts)[:, BASS]
    assert np.abs(out[-4800:]).max() < 0.3 * np.abs(steady[-4800:]).max()
    high = signal.butter(4, 4000.0, "highpass", fs=RATE, output="sos")
    rough = np.asarray(signal.sosfilt(high, out))[AROUND]
    assert np.std(rough) < 1.05 * np.std(np.asarray(signal.sosfilt(high, steady))[AROUND])


def test_without_the_split_there_is_no_bass_and_the_guitar_has_all_strings(ringing: Signal) -> None:
    player = Player(Rig())
    player.play(ringing[:AT])
    assert player.events(HANDOVER)["string"].tolist() == [6]
    player.ask(split=0)
    out = player.play(ringing[AT : AT + 12000])
    (event,) = player.events(HANDOVER)
    assert (event["string"], event["value"], event["extra"]) == (0, 6.0, BY_RULE)
    assert event["frame"] - AT < 0.001 * RATE
    assert np.abs(out[4000:, BASS]).max() < 1e-6
    whole = Player(Rig.model_validate({"guitar": {"strings": "all"}})).play(ringing)
    np.testing.assert_allclose(out[4000:, LEFT], whole[AT + 4000 : AT + 12000, LEFT], atol=1e-9)
    player.ask(split=1)
    out = player.play(ringing[AT + 12000 :])
    assert player.events(HANDOVER)["string"].tolist() == [6]
    assert np.abs(out[4000:, BASS]).max() > 0.01


def test_a_held_bass_stays_on_its_string_whatever_is_played_and_even_when_it_stops(
    play: Callable[..., Signal],
) -> None:
    frames = play({5: Pluck(0.05, 45.0, stop_s=0.7), 6: Pluck(0.4, 40.0)}, 1.2, RATE)
    player = Player(Rig())
    player.play(frames[: 64 * 225])
    player.ask(hold=1)
    player.play(frames[64 * 225 :])
    assert player.events(HANDOVER)["string"].tolist() == [5]
    player.ask(hold=0)
    player.play(frames[-64:])
    (event,) = player.events(HANDOVER)
    assert (event["string"], event["value"], event["extra"]) == (6, 5.0, BY_RULE)


def test_a_hold_with_no_bass_holds_the_first_string_that_becomes_it(play: Callable[..., Signal]) -> None:
    frames = play({5: Pluck(0.1, 45.0), 6: Pluck(0.4, 40.0)}, 0.8, RATE)
    player = Player(Rig())
    player.ask(hold=1)
    player.play(frames)
    assert player.events(HANDOVER)["string"].tolist() == [5]


def test_without_the_split_nothing_is_held(ringing: Signal) -> None:
    player = Player(Rig())
    player.play(ringing[:AT])
    player.ask(hold=1, split=0)
    player.play(ringing[AT:])
    assert player.events(HANDOVER)["string"].tolist() == [6, 0]


def test_controls_that_say_what_the_setting_says_change_nothing_bit_for_bit(ringing: Signal) -> None:
    plain, asked = Player(Rig()), Player(Rig())
    wanted = plain.play(ringing)
    first = asked.play(ringing[:AT])
    asked.ask(level=1.0, ratio=float(asked.params[0]["ratio"]))
    out = np.concatenate([first, asked.play(ringing[AT:])])
    assert out.tobytes() == wanted.tobytes()


@pytest.mark.parametrize("block", [17, 64, 509])
def test_changes_sound_the_same_bit_for_bit_however_the_rest_is_cut(ringing: Signal, block: int) -> None:
    heard = []
    for size in (block, 4096):
        player = Player(Rig(), Rig.model_validate({"bass": {"level_db": -6.0, "tone_hz": 500.0}}))
        parts = [player.play(ringing[:AT], size)]
        player.ask(level=0.3, ratio=0.7, tone_hz=900.0, character=4)
        parts.append(player.play(ringing[AT : AT + 700], size))
        player.switch(1)
        parts.append(player.play(ringing[AT + 700 :], size))
        heard.append(np.concatenate(parts).tobytes())
    assert heard[0] == heard[1]


SETTINGS = {
    "levels": {"bass": {"level_db": -12.0}, "guitar": {"level_db": -6.0}},
    "stereo": {"guitar": {"stereo": True, "pan": [-1.0, -0.5, 0.0, 0.5, 1.0, -1.0]}},
    "all strings": {"guitar": {"strings": "all"}},
    "synth": {"bass": {"voice": "synth", "dynamics": 0.0}},
    "darker": {"bass": {"tone_hz": 300.0}},
    "a fifth": {"bass": {"interval": -7}},
    "round": {"bass": {"character": "round"}},
    "another bass": {"choice": {"strings": [1, 2, 3, 4]}},
    "ceiling": {"output": {"ceiling_db": -12.0}},
    "capo": {"instrument": {"capo": 2}},
}


@pytest.mark.parametrize("change", SETTINGS.values(), ids=SETTINGS.keys())
def test_a_switch_of_setting_does_not_click_and_notes_sound_on(ringing: Signal, change: dict[str, object]) -> None:
    rigs = Rig(), Rig.model_validate(change)
    before, after, changed = Player(rigs[0]), Player(rigs[1]), Player(*rigs)
    steady = [player.play(ringing)[AROUND] for player in (before, after)]
    first = changed.play(ringing[:AT])
    changed.switch(1)
    out = np.concatenate([first, changed.play(ringing[AT:])])
    for column in (BASS, LEFT, RIGHT):
        assert bend(out[AROUND, column]) < most_bend(each[:, column] for each in steady), column
    rms = np.sqrt(np.mean(out[AT : AT + 9600, BASS].reshape(-1, 1200) ** 2, axis=1))
    assert rms.min() > 0.02 * rms.max()  # no gap: a note sounds on


def test_a_switch_back_and_forth_ends_at_the_setting_itself(ringing: Signal) -> None:
    player = Player(Rig(), Rig.model_validate({"bass": {"level_db": -12.0}}))
    player.play(ringing[:AT])
    player.switch(1)
    player.play(ringing[AT : AT + 64])
    player.switch(0)
    player.play(ringing[AT + 64 : AT + 9600])
    assert player.state[0]["now"]["bass_gain"] == player.params[0]["bass_gain"]
    assert player.state[0]["ramp"] == 0


def test_a_string_that_is_tuned_otherwise_is_heard_anew_and_its_pitch_is_found_again(ringing: Signal) -> None:
    player = Player(Rig(), Rig.model_validate({"instrument": {"capo": 2}}))
    player.play(ringing[:AT])
    player.events()
    player.switch(1)
    player.play(ringing[AT:])
    events = player.events(END, PLUCK, LOCK)
    assert sorted(events["string"][events["kind"] == PLUCK]) == [4, 6]
    locked = events[(events["kind"] == LOCK) & (events["string"] == 4)]
    assert locked["value"][0] == pytest.approx(220.0, rel=0.01)
    assert locked["decided"][0] < AT + 0.03 * RATE


def test_the_ramp_of_a_setting_leads_from_wherever_the_last_ramp_was(ringing: Signal) -> None:
    player = Player(Rig())
    player.ask(level=0.0)
    player.play(ringing[:480])
    half = float(player.state[0]["now"]["bass_gain"])
    assert 0.0 < half < 1.0
    start_ramp(player.params[0], player.state[0])
    player.play(ringing[:1])
    assert float(player.state[0]["now"]["bass_gain"]) == pytest.approx(half, rel=0.01)
