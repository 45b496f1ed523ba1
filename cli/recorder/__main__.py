"""Run the recorder: ``python -m thumbline.cli.recorder MEMORY_FILE FOLDER``."""

from thumbline.cli.recorder.recorder import main
from thumbline.cli.shared.processes import run_and_exit

run_and_exit(main)
