"""`python -m thumbline.cli`."""

from thumbline.cli.main import main

main()
