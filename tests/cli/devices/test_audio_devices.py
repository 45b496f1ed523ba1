"""Devices found by name or number, and asked what they can do; without PortAudio: what to install."""

import builtins
import os
import sys
from types import SimpleNamespace
from typing import Any

import pytest

from thumbline.cli.devices import audio_devices
from thumbline.cli.devices.audio_devices import Device, find_device, known_latency_s, preflight, sound_library
from thumbline.dsp.errors import InputError


def device(index: int, name: str, inputs: int, outputs: int, host: str = "ALSA", default: bool = False) -> Device:
    return Device(index, name, host, inputs, outputs, 48000.0, 0.005, 0.005, default, default)


FJORD, FJORD_JACK = device(0, "Fjord 8", 8, 4), device(1, "Fjord 8", 8, 4, "JACK")
SMALL = device(2, "Built-in", 2, 2, default=True)
LOUD = device(3, "Fjord 8 monitor", 0, 2)
ALL = [FJORD, FJORD_JACK, SMALL, LOUD]


@pytest.mark.parametrize(
    ("wanted", "kind", "found"),
    [
        ("", "input", SMALL),
        ("1", "input", FJORD_JACK),
        ("fjord 8, alsa", "input", FJORD),
        ("Built-in", "output", SMALL),
        ("monitor", "output", LOUD),
        ("jack", "output", FJORD_JACK),
    ],
)
def test_a_device_is_found_by_number_name_name_and_system_or_part_of_it(wanted: str, kind: Any, found: Device) -> None:
    assert find_device(wanted, kind, ALL) is found


@pytest.mark.parametrize(
    ("wanted", "kind", "named"),
    [
        ("Fjord 8", "input", "means several devices; accepted: 0: Fjord 8, ALSA; 1: Fjord 8, JACK"),
        ("Skerry", "input", "is not there; accepted: 0: Fjord 8, ALSA; 1: Fjord 8, JACK; 2: Built-in, ALSA"),
        ("3", "input", "is not there"),
        ("7", "output", "is not there"),
    ],
)
def test_what_is_not_there_or_not_clear_is_refused_with_what_there_is(wanted: str, kind: Any, named: str) -> None:
    with pytest.raises(InputError) as error:
        find_device(wanted, kind, ALL)
    assert named in str(error.value)


def test_without_any_inputs_the_question_is_whether_the_interface_is_on() -> None:
    with pytest.raises(InputError, match="no audio device has inputs; is the interface plugged in"):
        find_device("", "input", [LOUD])


def fake_library(rates: set[int]) -> Any:
    class PortAudioError(Exception):
        pass

    def check(device: int, channels: int, dtype: str, samplerate: int) -> None:
        if samplerate not in rates:
            raise PortAudioError("Invalid sample rate")

    return SimpleNamespace(check_input_settings=check, check_output_settings=check, PortAudioError=PortAudioError)


def test_preflight_lets_pass_what_the_devices_can_do(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audio_devices, "sound_library", lambda: fake_library({48000}))
    preflight(FJORD, SMALL, 6, 2, 48000)


def test_preflight_says_what_the_devices_have(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(audio_devices, "sound_library", lambda: fake_library({44100, 48000}))
    with pytest.raises(InputError, match="Built-in, ALSA has 2 inputs, but the rig uses input 6; accepted: 1 to 2"):
        preflight(SMALL, SMALL, 6, 2, 48000)
    with pytest.raises(InputError, match="Fjord 8, ALSA cannot do 96000 Hz with 6 inputs; it can do: 44100, 48000"):
        preflight(FJORD, SMALL, 6, 2, 96000)
    with pytest.raises(InputError, match="belong to two sound systems"):
        preflight(FJORD_JACK, SMALL, 6, 2, 48000)
    monkeypatch.setattr(audio_devices, "sound_library", lambda: fake_library(set()))
    with pytest.raises(InputError, match="none of the usual rates; another program may be using it"):
        preflight(FJORD, SMALL, 6, 2, 48000)


def test_without_portaudio_it_says_in_one_line_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    real = builtins.__import__

    def refuse(name: str, *arguments: Any, **keywords: Any) -> Any:
        if name == "sounddevice":
            raise OSError("PortAudio library not found")
        return real(name, *arguments, **keywords)

    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr(builtins, "__import__", refuse)
    with pytest.raises(InputError) as error:
        sound_library()
    message = str(error.value)
    assert "\n" not in message
    for system in ("Debian", "Fedora", "Arch", "macOS", "Windows"):
        assert system in message


def test_a_latency_that_is_none_is_not_known() -> None:
    """PortAudio lists each JACK client with 89478.464 s here."""
    assert [known_latency_s(said) for said in (0.0053, 89478.464, -1.0, 1.0)] == [0.0053, 0.0, 0.0, 1.0]


def test_the_name_among_jack_clients_lies_where_it_stays(monkeypatch: pytest.MonkeyPatch) -> None:
    given = []
    library = SimpleNamespace(PaJack_SetClientName=given.append)
    monkeypatch.delitem(sys.modules, "sounddevice", raising=False)
    monkeypatch.setattr("ctypes.CDLL", lambda name: library)
    audio_devices._name_jack_client()
    assert given == [audio_devices.CLIENT]
    assert audio_devices.CLIENT.value == b"thumbline"


def test_pipewire_is_asked_not_to_mix_before_anything_is_opened(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", SimpleNamespace())
    monkeypatch.delenv("PIPEWIRE_ALSA", raising=False)
    sound_library()
    assert os.environ["PIPEWIRE_ALSA"] == "{ stream.dont-remix=true }"
    monkeypatch.setenv("PIPEWIRE_ALSA", "{ node.latency=64/48000 }")
    sound_library()
    assert os.environ["PIPEWIRE_ALSA"] == "{ node.latency=64/48000 }", "the user's own word stays"


def test_without_the_package_it_says_so(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setitem(sys.modules, "sounddevice", None)
    with pytest.raises(InputError, match="the Python package sounddevice is not installed"):
        sound_library()
