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
    bleed_doubted: bool  #: what it hears of the others was not believed, and is left in
    lasts_s: float | None = None  #: median length of its notes
    strays: int = 0  #: notes more than a semitone off the median of all
    alone: float = 1.0  #: share of the time that it sounds for which it is heard alone
    left_db: float | None = None  #: what is left in its channel of the string that leaves most, once bleed is removed
    left_from: int | None = None
    hum_db: float | None = None  #: mains hum in its channel, dBFS (rms)
