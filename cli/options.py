"""How long something takes, as the command line has it."""

import math
from typing import Any

import click

from thumbline.dsp.sample_rates import HIGHEST_RATE, LOWEST_RATE

#: A sample rate in frames per second.
RATE = click.IntRange(LOWEST_RATE, HIGHEST_RATE)


class Seconds(click.FloatRange):
    """A number of seconds from ``low`` to ``high``. Click's own range lets "nan" through, which is never over."""

    def __init__(self, low: float, high: float) -> None:
        super().__init__(low, high)

    def convert(self, value: Any, param: click.Parameter | None, ctx: click.Context | None) -> Any:
        """Return the number; refuse what is outside, or no number."""
        seconds = super().convert(value, param, ctx)
        if math.isnan(seconds):
            self.fail(f"{value} is not in the range {self._describe_range()}.", param, ctx)
        return seconds
