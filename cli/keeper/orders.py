"""What the keeper needs to know of the settings, in a file beside the shared memory.

The keeper must be there at once, so it reads plain values and loads no settings library: the maker of the memory
writes them down for it (JSON), all decided, nothing left to "auto".
"""

import json
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from typing import TYPE_CHECKING

from thumbline.cli.keeper.keep_alive import ACTIVE_SENSING
from thumbline.dsp.midi.foot_controller import Binding, bind
from thumbline.dsp.midi.mutes import MuteOrder

if TYPE_CHECKING:
    from thumbline.dsp.rig.model import Rig


@dataclass(frozen=True)
class Module:
    """A sound module's mutes, as in the rig."""

    name: str
    channel: int
    controllers: tuple[int, ...]
    unmuted_value: int
    muted_value: int


@dataclass(frozen=True)
class SettingOrders:
    """What holds while one setting is in force."""

    modules: tuple[Module, ...]
    order: MuteOrder
    gap_s: float
    silence: str
    tone_hz: float
    a4_hz: float


@dataclass(frozen=True)
class Orders:
    """All that the keeper is told; what is not in ``settings`` is the same for the whole set."""

    strings: int
    port: str
    foot_port: str
    resend_s: float
    keep_alive: tuple[int, ...]
    bass_notes: bool
    bass_channel: int
    bend_range: int
    feet: tuple[Binding, ...]
    settings: tuple[SettingOrders, ...]


def orders_path(memory: Path) -> Path:
    """Where the orders stand."""
    return memory.with_name(memory.name + ".orders")


def orders_of(rigs: Sequence["Rig"]) -> Orders:
    """Return the orders that follow from the rigs of a set; ports, feet and notes are those of the first."""
    first = rigs[0]
    return Orders(
        strings=first.string_count,
        port=first.midi.port,
        foot_port=first.midi.foot_port,
        resend_s=first.midi.resend_s,
        keep_alive=_keep_alive(first),
        bass_notes=first.midi.bass_notes,
        bass_channel=first.midi.bass_channel,
        bend_range=first.midi.bend_range,
        feet=tuple(map(bind, first.feet)),
        settings=tuple(
            SettingOrders(
                modules=tuple(Module(**module.model_dump()) for module in rig.mutes.modules),
                order=rig.mutes.order,
                gap_s=1e-3 * rig.mutes.gap_ms,
                silence=rig.choice.silence,
                tone_hz=rig.bass.tone_hz,
                a4_hz=rig.instrument.a4_hz,
            )
            for rig in rigs
        ),
    )


def _keep_alive(rig: "Rig") -> tuple[int, ...]:
    chosen = rig.midi.keep_alive
    return () if chosen == "off" else ACTIVE_SENSING if chosen == "active sensing" else rig.midi.keep_alive_message


def write_orders(memory: Path, rigs: Sequence["Rig"]) -> None:
    """Write the orders for the keepers of ``memory``. Raises OSError."""
    orders_path(memory).write_text(json.dumps(asdict(orders_of(rigs))), encoding="utf-8")


def read_orders(memory: Path) -> Orders:
    """Read what :func:`write_orders` wrote. Raises OSError if there is nothing."""
    table = json.loads(orders_path(memory).read_text(encoding="utf-8"))
    feet = tuple(Binding(**{**foot, "steps": tuple(foot["steps"])}) for foot in table.pop("feet"))
    table["keep_alive"] = tuple(table["keep_alive"])
    settings = tuple(
        SettingOrders(
            modules=tuple(
                Module(**{**module, "controllers": tuple(module["controllers"])}) for module in setting.pop("modules")
            ),
            **setting,
        )
        for setting in table.pop("settings")
    )
    return Orders(feet=feet, settings=settings, **table)
