"""MIDI files as an independent reader has them."""

from pathlib import Path
from typing import Any

import mido


def midi_messages(path: Path) -> list[tuple[float, Any]]:
    """Every message of a file with its time in seconds, by mido's own tempo arithmetic."""
    now = 0.0
    messages: list[tuple[float, Any]] = []
    for message in mido.MidiFile(path):
        now += message.time
        messages.append((now, message))
    return messages
