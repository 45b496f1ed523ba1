"""`python -m thumbline.cli.keeper MEMORY`."""

from thumbline.cli.keeper.keeper import keep
from thumbline.cli.shared.processes import leave_with

leave_with(keep)
