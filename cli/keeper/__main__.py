"""`python -m thumbline.cli.keeper MEMORY`."""

from thumbline.cli.keeper.keeper import keep
from thumbline.cli.shared.processes import run_and_exit

run_and_exit(keep)
