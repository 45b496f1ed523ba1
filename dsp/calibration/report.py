"""What a calibration found on one string."""

from dataclasses import dataclass


@dataclass(frozen=True)
class StringReport:
    """What was found on one string."""

    string: int
    note: str  #: as the rig has it
    channel: int
    played: bool
    notes: int  #: how many were recognised
    cents: float | None  #: median deviation from the open string; None if no note was recognised
    floor_db: float
    level_db: float
    on_db: float
    off_db: float
    bleed_db: float | None  #: strongest bleed from another string into this channel
    bleed_from: int | None
    clipped: int  #: samples
    flat_tops: int  #: how often the channel stood still at its own greatest level, below full scale
