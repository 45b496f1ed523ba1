"""What the tests of takes share: files of noise, and how they are read or refused."""

import io
from pathlib import Path

import numpy as np
import pytest
import soundfile

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.takes import open_take

RATE = 48_000


def noise(frames: int, channels: int, seed: int = 0) -> np.ndarray:
    return 0.25 * np.random.default_rng(seed).standard_normal((frames, channels)).clip(-3.9, 3.9)


def write(path: Path, samples: np.ndarray, form: str = "WAV", subtype: str = "PCM_24", rate: int = RATE) -> Path:
    soundfile.write(path, samples, rate, format=form, subtype=subtype)
    return path


def sound_bytes(form: str, subtype: str = "PCM_24", frames: int = 12_000, channels: int = 6) -> bytearray:
    stream = io.BytesIO()
    soundfile.write(stream, noise(frames, channels), RATE, format=form, subtype=subtype)
    return bytearray(stream.getvalue())


def content(path: Path, strings: int, size: int = 1000) -> np.ndarray:
    with open_take(path, strings) as take:
        blocks = list(take.blocks(size))
        assert sum(map(len, blocks)) == take.frames
        return np.concatenate(blocks) if blocks else np.empty((0, take.channels))


def refusal(path: Path, strings: int = 6, channels: list[int] | None = None) -> str:
    """The one line that says why a take cannot be used, be it found on opening or on reading."""
    with pytest.raises(InputError) as caught, open_take(path, strings, channels) as take:
        for _ in take.blocks(512):
            pass
    message = str(caught.value)
    assert message.isprintable()
    return message
