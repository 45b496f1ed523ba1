"""What the notebooks show: workbench, sweeps, pictures, widgets.

::

    import thumbline.dsp.notebook as nb

    bench = nb.open_workbench("my-take.wav", rig="my-guitar.toml")
    nb.picture_lanes(bench)

The public names are those of ``__all__``, each loaded when it is first used.
"""

from typing import TYPE_CHECKING, Any

from thumbline.dsp.api.lazy import load

if TYPE_CHECKING:
    from thumbline.dsp.notebook.bleed_check import check_bleed
    from thumbline.dsp.notebook.lanes import picture_lanes
    from thumbline.dsp.notebook.panel import TuningPanel, show_first_mistake
    from thumbline.dsp.notebook.players import hear_both
    from thumbline.dsp.notebook.plots import (
        picture_bleed,
        picture_distributions,
        picture_latencies,
        picture_sweeps,
        picture_trade_off,
    )
    from thumbline.dsp.notebook.reasons import explain_notes
    from thumbline.dsp.notebook.sweep import sweep_setting
    from thumbline.dsp.notebook.trade_off import trade_offs
    from thumbline.dsp.notebook.workbench import Workbench, open_workbench

__all__ = [
    "TuningPanel",
    "Workbench",
    "check_bleed",
    "explain_notes",
    "hear_both",
    "open_workbench",
    "picture_bleed",
    "picture_distributions",
    "picture_lanes",
    "picture_latencies",
    "picture_sweeps",
    "picture_trade_off",
    "show_first_mistake",
    "sweep_setting",
    "trade_offs",
]

#: Where the public names live.
_HOMES = {
    "TuningPanel": "panel",
    "Workbench": "workbench",
    "check_bleed": "bleed_check",
    "explain_notes": "reasons",
    "hear_both": "players",
    "open_workbench": "workbench",
    "picture_bleed": "plots",
    "picture_distributions": "plots",
    "picture_lanes": "lanes",
    "picture_latencies": "plots",
    "picture_sweeps": "plots",
    "picture_trade_off": "plots",
    "show_first_mistake": "panel",
    "sweep_setting": "sweep",
    "trade_offs": "trade_off",
}


def __getattr__(name: str) -> Any:
    return load(__name__, _HOMES, name)


def __dir__() -> list[str]:
    """Return the public names, loaded or not."""
    return sorted({*globals(), *__all__})
