"""`python -m thumbline.cli.engine MEMORY`."""

from thumbline.cli.engine.engine import main

main()
