"""Puts a terminal back if the program that changed it is killed. Run as a script, by :mod:`thumbline.cli.console.keys`.

Standard output is the terminal, the first argument its settings as they were found (``termios.tcgetattr``, as Python
writes it); standard input ends when the program does. If it has not said "done" by then, the settings are put back, the
alternate screen is left and the cursor is shown (xterm's sequences DECRST 1049 and DECSET 25, which rich uses).
"""

import ast
import os
import sys
import termios


def main() -> None:
    """Wait for the program's end."""
    saved = ast.literal_eval(sys.argv[1])
    told = b""
    while more := os.read(sys.stdin.fileno(), 16):
        told += more
    if told != b"done":
        termios.tcsetattr(sys.stdout.fileno(), termios.TCSADRAIN, saved)
        os.write(sys.stdout.fileno(), b"\x1b[?1049l\x1b[?25h\x1b[0m\r\n")


if __name__ == "__main__":
    main()
