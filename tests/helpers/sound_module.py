"""A sound module's mutes, as tests give them to what sends them."""

from dataclasses import dataclass


@dataclass(frozen=True)
class Module:
    """As ``[[mutes.modules]]`` of a rig; controllers 102 to 119 are undefined in MIDI 1.0 (4.2.1, page 11): free."""

    name: str = "bass module"
    channel: int = 1
    controllers: tuple[int, ...] = (102, 103, 104, 105, 106, 107)
    unmuted_value: int = 0
    muted_value: int = 127
