"""Parameters of a rig against values worked out by hand."""

import math
from typing import Any

import numpy as np
import pytest
from scipy import signal

from thumbline.dsp.errors import InputError
from thumbline.dsp.memory.record_type import Record
from thumbline.dsp.memory.records import HISTORY, LAGS, SQUARES, TAPS, initial_state
from thumbline.dsp.processor.parameters import compile_parameters
from thumbline.dsp.rig.model import Rig

freqz: Any = signal.freqz  # whose types know of whole numbers only

STANDARD_HZ = np.array([329.628, 246.942, 195.998, 146.832, 110.0, 82.407])


def compiled(rate: int = 48_000, **sections: object) -> Record:
    return compile_parameters(Rig.model_validate(sections), rate)[0]


def test_the_analysis_signal_has_a_rate_near_12_khz_at_every_usual_rate() -> None:
    decimation = {22_050: 2, 32_000: 3, 44_100: 4, 48_000: 4, 88_200: 7, 96_000: 8, 176_400: 15, 192_000: 16}
    for rate, factor in decimation.items():
        p = compiled(rate)
        assert p["decimation"] == factor
        assert p["tick_rate"] == rate / factor
        assert p["taps"] == 6 * factor + 1 <= TAPS
        assert p["fir_mask"] + 1 >= p["taps"]
        assert p["short_ticks"] < SQUARES
        assert p["fir"].sum() == pytest.approx(1.0, abs=1e-12)


@pytest.mark.parametrize("rate", [22_049, 192_001, 8_000, 0, -48_000])
def test_a_rate_the_buffers_are_not_made_for_is_refused(rate: int) -> None:
    with pytest.raises(InputError, match=f"sample rate is {rate} Hz; accepted: 22050 to 192000"):
        compiled(rate)


def test_the_periods_looked_for_reach_from_a_semitone_and_a_half_below_the_open_string_to_two_above_the_last_fret() -> (
    None
):
    p = compiled(instrument={"frets": 24})
    np.testing.assert_allclose(p["open_period"][:6], 12_000 / STANDARD_HZ, rtol=1e-5)
    np.testing.assert_array_equal(p["lag_max"][:6], np.ceil(12_000 / STANDARD_HZ * 2 ** (1.5 / 12)))
    np.testing.assert_array_equal(p["lag_min"][:6], np.floor(12_000 / STANDARD_HZ / 2 ** (26 / 12)))
    assert p["lag_max"][5] == 159  # ceil(145.62 * 1.0905)


def test_a_capo_raises_the_open_strings_and_takes_frets_away() -> None:
    p = compiled(instrument={"capo": 12, "frets": 24})
    np.testing.assert_allclose(p["open_period"][:6], 6_000 / STANDARD_HZ, rtol=1e-5)
    np.testing.assert_array_equal(p["lag_min"][:6], np.floor(12_000 / STANDARD_HZ / 2 ** (26 / 12)))


def test_another_reference_moves_all_periods() -> None:
    np.testing.assert_allclose(
        compiled(instrument={"a4_hz": 432.0})["open_period"][:6], 12_000 / STANDARD_HZ * 440 / 432, rtol=1e-5
    )


# 30 kHz has the fastest analysis signal of all, 15 kHz: there the buffers are shortest in time.
@pytest.mark.parametrize(
    "rate", [22_050, 24_000, 30_000, 32_000, 44_100, 48_000, 64_000, 88_200, 96_000, 176_400, 192_000]
)
def test_a0_fits_the_buffers_at_every_rate(rate: int) -> None:
    p = compiled(rate, instrument={"strings": ["E4", "B3", "G3", "A0"]})
    assert p["open_period"][3] == pytest.approx(p["tick_rate"] / 27.5)
    assert p["open_period"][3] * 2 ** (1.5 / 12) <= p["lag_max"][3] <= LAGS - 8
    # Two periods and a half of it, and the jump of a head, lie within the bass voice's past.
    assert 3 * p["open_period"][3] * p["decimation"] < p["past_mask"] + 1 <= HISTORY


def test_the_rate_with_the_fastest_analysis_signal_is_among_those_tried() -> None:
    tick_rates = {rate: rate / max(1, round(rate / 12_000)) for rate in range(22_050, 192_001)}
    assert max(tick_rates.values()) == tick_rates[30_000] == 15_000


def test_a_string_too_low_for_the_buffers_is_refused_with_the_limit() -> None:
    with pytest.raises(InputError) as refused:
        compiled(30_000, instrument={"strings": ["E4", "B3", "G3", "A0"], "a4_hz": 400.0})
    # At 15 kHz, a semitone and a half below 25.9 Hz, 632 ticks are a period.
    assert str(refused.value) == "instrument.strings[3] is A0 (25.0 Hz); accepted: strings of 25.9 Hz or higher"


def test_levels_in_decibels_become_powers_in_analysis_steps() -> None:
    p = compiled(
        detect={
            "on_db": [-40.0, -41.0, -42.0, -43.0, -44.0, -50.0],
            "off_db": [-60.0] * 6,
            "level_db": [-20.0] * 6,
        }
    )
    full_scale = 2.0**40  # one step is 2^-20
    assert p["on_power"][0] == pytest.approx(1e-4 * full_scale)
    assert p["on_power"][5] == pytest.approx(1e-5 * full_scale)
    np.testing.assert_allclose(p["off_power"][:6], 1e-6 * full_scale)
    np.testing.assert_allclose(p["typical_power"][:6], 1e-2 * full_scale)


def test_times_become_ticks_and_frames() -> None:
    p = compiled(
        choice={"proof_ms": 2.5, "settle_ms": 12.5, "shortest_ms": 250.0},
        bass={"crossfade_ms": 10.0},
        input={"mains_hz": 50.0},
    )
    assert p["proof_ticks"] == 30
    assert p["settle_ticks"] == 150
    assert p["hold_ticks"] == 3000
    assert p["fade_step"] == pytest.approx(1 / 480)
    assert p["short_ticks"] == 12
    assert p["hum_delay"] == 288
    assert p["report_hops"] * 8 / 12_000 <= 0.01


@pytest.mark.parametrize("crossfade_ms", [1.0, 5.0, 50.0])
def test_the_attack_fades_in_over_a_fifth_of_a_millisecond_whatever_the_crossfade(crossfade_ms: float) -> None:
    # So that the first pulse of a high string is not lost.
    assert compiled(bass={"crossfade_ms": crossfade_ms})["attack_step"] == pytest.approx(1 / 9.6)


def test_interval_level_and_ceiling_are_factors() -> None:
    p = compiled(bass={"interval": -5, "level_db": -6.0}, output={"ceiling_db": -3.0}, guitar={"level_db": 12.0})
    assert p["ratio"] == pytest.approx(0.7491535)  # 2 ** (-5 / 12)
    assert p["bass_gain"] == pytest.approx(0.5011872)
    assert p["ceiling"] == pytest.approx(0.7079458)
    np.testing.assert_allclose(p["pan"][:6], 3.9810717)


def test_mains_frequencies_become_rotations() -> None:
    p = compiled(input={"mains_hz": 60.0})
    for k in range(6):
        assert math.atan2(p["hum_sin"][k], p["hum_cos"][k]) == pytest.approx(2 * math.pi * 60 * (k + 1) / 48_000)
    assert compiled(input={"mains_hz": "off"})["hum_harmonics"] == 0


def test_the_tone_is_a_second_order_butterworth_low_pass_or_open() -> None:
    p = compiled(bass={"tone_hz": 500.0})
    b, a = p["tone"][:3], (1.0, *p["tone"][3:])
    hz = np.array([0.0, 100.0, 500.0, 1000.0, 5000.0])
    _, response = freqz(b, a, worN=hz, fs=48_000)
    # The bilinear transform of 1 / sqrt(1 + w^4), w = tan(pi f / fs) / tan(pi fc / fs).
    w = np.tan(np.pi * hz / 48_000) / np.tan(np.pi * 500.0 / 48_000)
    np.testing.assert_allclose(np.abs(response), 1 / np.sqrt(1 + w**4), rtol=1e-9)
    np.testing.assert_array_equal(compiled(22_050, bass={"tone_hz": 20_000.0})["tone"], [1, 0, 0, 0, 0])


def test_the_choice_is_that_of_the_rig() -> None:
    p = compiled(choice={"rule": "last plucked", "strings": [4, 6], "highest_note": "A3"})
    assert p["rule"] == 2
    np.testing.assert_array_equal(p["carries"][:6], [0, 0, 0, 1, 0, 1])
    # A quarter tone of grace, so that A3 itself may be bass.
    assert p["highest_hz"] == pytest.approx(220.0 * 2 ** (0.5 / 12))
    assert compiled()["highest_hz"] == math.inf


def test_a_state_at_rest_has_no_bass_and_all_strings_in_the_guitar() -> None:
    params = compile_parameters(Rig(), 48_000)
    st = initial_state(params)[0]
    assert st["bass"] == st["wanted"] == st["lead"] == -1
    assert (st["heads"]["string"] == -1).all()
    np.testing.assert_array_equal(st["rest_gain"], [1.0] * 6 + [0.0] * 4)
    np.testing.assert_array_equal(st["limiter_gain"], 1.0)
    assert st["frame"] == st["tick"] == st["events_written"] == 0
