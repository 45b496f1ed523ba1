"""Sampled electric basses that play a bass line, and how a sound's energy lies over third octaves.

The samples are those of FluidR3 GM (Debian package fluid-soundfont-gm, MIT licence), General MIDI programs 34
(fingered) and 35 (picked), played by FluidSynth without reverberation and chorus. Third octaves are those of IEC
61260-1, base ten.
"""

import shutil
import subprocess
import tempfile
from collections.abc import Sequence
from pathlib import Path

import mido
import numpy as np
import soundfile
from numpy.typing import NDArray
from scipy.signal import butter, sosfilt

from thumbline.dsp.decibels import power_db
from thumbline.dsp.processor.notes import Note
from thumbline.dsp.sound.loudness import loudness_at_any_level

FONT = Path("/usr/share/sounds/sf2/FluidR3_GM.sf2")
#: Programs counted from 0.
FINGERED, PICKED = 33, 34
#: Middles of the third octaves from 40 Hz to 2.5 kHz, in Hz.
THIRD_OCTAVES = 1000.0 * 10.0 ** (np.arange(-14, 5) / 10.0)
#: What a small speaker leaves out lies below this, Hz.
SMALL_SPEAKER_HZ = 400.0
#: Notes shorter than this are a strum passing by.
SHORTEST_S = 0.06
_TICKS_PER_S = 2000


def is_there() -> bool:
    """Whether the sampled basses can be played here."""
    return FONT.is_file() and shutil.which("fluidsynth") is not None


def played(line: Sequence[Note], program: int, rate: int, interval: int = -12) -> NDArray[np.float64]:
    """Return the bass line, moved by ``interval`` semitones, as the sampled bass plays it: (frames,)."""
    moments: list[tuple[float, int, int]] = []
    for note in line:
        if note.offset_s - note.onset_s >= SHORTEST_S:
            key = round(note.midi) + interval
            moments += [(note.onset_s, key, note.velocity), (note.offset_s, key, 0)]
    track = mido.MidiTrack([mido.Message("program_change", program=program)])
    now = 0
    for time_s, key, velocity in sorted(moments, key=lambda each: (each[0], each[2])):
        tick = round(time_s * _TICKS_PER_S)
        track.append(mido.Message("note_on", note=key, velocity=velocity, time=tick - now))  # velocity 0: note off
        now = tick
    file = mido.MidiFile(ticks_per_beat=_TICKS_PER_S // 2)  # at 120 bpm
    file.tracks.append(track)
    with tempfile.TemporaryDirectory() as folder:
        midi, wave = Path(folder) / "line.mid", Path(folder) / "line.wav"
        file.save(midi)
        command = [
            "fluidsynth",
            "-ni",
            "-q",
            "-R",
            "0",
            "-C",
            "0",
            "-g",
            "0.4",
            "-r",
            str(rate),
            "-F",
            wave,
            FONT,
            midi,
        ]
        subprocess.run(command, check=True, capture_output=True)
        sound, _ = soundfile.read(wave, always_2d=True)
    return sound.mean(axis=1)


def third_octaves_db(sound: NDArray[np.float64], rate: int) -> NDArray[np.float64]:
    """Return the energy of ``sound`` (frames,) in ``THIRD_OCTAVES``, in dB of that of all of them."""
    size = 1 << (len(sound) - 1).bit_length()
    power = np.abs(np.fft.rfft(sound, size)) ** 2
    hz = np.fft.rfftfreq(size, 1.0 / rate)
    edge = 10.0**0.05
    bands = np.array([power[(hz >= middle / edge) & (hz < middle * edge)].sum() for middle in THIRD_OCTAVES])
    return power_db(bands / bands.sum(), 1e-12)


def small_speaker_lu(sound: NDArray[np.float64], rate: int) -> float:
    """By how much (frames,) or (frames, channels) are louder (BS.1770) through a high-pass of fourth order."""
    full = np.asarray(sound, np.float32).reshape(len(sound), -1)
    high = butter(4, SMALL_SPEAKER_HZ, "highpass", fs=rate, output="sos")
    heard = np.asarray(sosfilt(high, full.astype(np.float64), axis=0), np.float32)
    return loudness_at_any_level(heard, rate) - loudness_at_any_level(full, rate)
