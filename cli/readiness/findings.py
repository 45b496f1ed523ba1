"""From what was seen to what is not ready: one line each, naming the thing, what was found and what helps."""

from collections.abc import Iterator
from dataclasses import dataclass

from thumbline.cli.readiness.computer import Battery
from thumbline.dsp.note_names import midi_to_note
from thumbline.dsp.rig.model import Rig

#: A block's work may take so much of the block at the 99.9th percentile; so much of all processors should be free.
BUSY_BLOCK, LEAST_FREE = 0.5, 0.2
#: A battery below this is told even if it is being charged, in percent.
LOW_BATTERY = 30
#: The share of blocks that may be lost or late before it is told: a click in ten minutes of blocks of 64 at 48 kHz.
FEW_BLOCKS = 1e-5
#: The sound may come in this many times what was asked for.
LONG_PERIOD = 1.5


@dataclass(frozen=True)
class Seen:
    """What was seen while the player walked through everything."""

    heard: frozenset[int] = frozenset()  #: strings, from 1
    muted: frozenset[int] = frozenset()  #: strings that were muted, and are unmuted again
    pressed: frozenset[int] = frozenset()  #: indices of the rig's feet
    port_present: bool = False
    foot_present: bool = False
    keepers_ready: int = 0  #: that stand by
    rate: float = 48000.0
    block_frames: int = 64
    period_frames: int = 0  #: that really come at a time; 0: unknown
    blocks: int = 0
    missed: int = 0
    late: int = 0
    work_ms: float = 0.0  #: of a block, 99.9th percentile
    free: float | None = None  #: share of all processors
    batteries: tuple[Battery, ...] = ()
    saving_governor: bool = False
    faults: tuple[str, ...] = ()  #: what the processes told of


def findings(rig: Rig, seen: Seen) -> Iterator[str]:
    """Yield a line for each thing that is not ready."""
    yield from _strings(rig, seen)
    yield from _midi(rig, seen)
    yield from _sound(seen)
    yield from _computer(seen)
    yield from seen.faults


def _strings(rig: Rig, seen: Seen) -> Iterator[str]:
    for string, midi in enumerate(rig.open_midi, 1):
        if string not in seen.heard:
            channel = rig.input.channels[string - 1]
            yield (
                f"string {string} ({midi_to_note(float(midi))}): no note was heard on input channel {channel}; "
                "was it played, and is its threshold right (thumbline calibrate --live)?"
            )


def _midi(rig: Rig, seen: Seen) -> Iterator[str]:
    if rig.mutes.modules:
        if not seen.port_present:
            port = (
                f'no MIDI port "{rig.midi.port}"' if rig.midi.port else "nothing is connected to Thumbline's own port"
            )
            yield f"mutes: {port}, so none is sent (thumbline ports)"
        else:
            for string in sorted(seen.heard - seen.muted):
                yield f"mute of string {string}: never sent and taken back; play the other strings too"
        if seen.keepers_ready == 0:
            yield "mutes: nobody stands by for the process that sends them, so no string would be muted"
    if rig.feet and not seen.foot_present:
        port = f'no MIDI port "{rig.midi.foot_port}"' if rig.midi.foot_port else "nothing is connected to its port"
        yield f"foot controller: {port} (thumbline ports)"
    elif rig.feet:
        for index, foot in enumerate(rig.feet):
            if index not in seen.pressed:
                what = f"{foot.message} {foot.number} on channel {foot.channel}"
                yield f'foot switch {index + 1} ("{foot.action}", {what}): was not pressed (thumbline rig learn)'


def _sound(seen: Seen) -> Iterator[str]:
    block_ms = 1e3 * seen.block_frames / seen.rate
    if seen.period_frames > LONG_PERIOD * seen.block_frames:
        period_ms = 1e3 * seen.period_frames / seen.rate
        yield (
            f"sound system: hands over {seen.period_frames} frames at a time ({period_ms:.0f} ms), not the "
            f"{seen.block_frames} asked for; set its period"
        )
    if seen.missed > FEW_BLOCKS * seen.blocks:
        yield f"interface: lost {seen.missed} of {seen.blocks} blocks; a larger block or fewer other programs help"
    if seen.late > FEW_BLOCKS * seen.blocks:
        yield f"computer: {seen.late} of {seen.blocks} blocks came too late; a larger block or fewer programs help"
    elif seen.work_ms > BUSY_BLOCK * block_ms:
        yield f"computer: a block of {block_ms:.2f} ms takes {seen.work_ms:.2f} ms of work; a larger block helps"


def _computer(seen: Seen) -> Iterator[str]:
    if seen.free is not None and seen.free < LEAST_FREE:
        yield f"computer: {seen.free:.0%} of the processors is free; accepted: {LEAST_FREE:.0%}; end other programs"
    for battery in seen.batteries:
        if battery.discharging or battery.percent < LOW_BATTERY:
            state = "and is not being charged" if battery.discharging else "though it is being charged"
            yield f"battery: {battery.percent} %, {state}; plug in the charger"
    if seen.saving_governor:
        yield 'clock governor: "powersave", which lets the clock sleep between blocks; accepted: "performance"'
