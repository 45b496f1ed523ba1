"""`python -m thumbline.cli`."""

from thumbline.cli.start import main

main()
