"""Run the stage page: ``python -m thumbline.cli.page MEMORY_FILE HOST PORT NAME``."""

from thumbline.cli.page.page import main
from thumbline.cli.shared.processes import run_and_exit

run_and_exit(main)
