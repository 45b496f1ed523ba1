"""Write the grooves that `tests.material.grooves` reads::

    python -m tests.material.groove_files FOLDER

needs MMA (Debian package ``mma`` 21.09, GPL-2.0). Of each file of its standard style library two grooves are played,
the first and the one in the middle, without those that begin, end or fill, over 12 to 20 bars of one of ``CHANGES``.
"""

import re
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np

STYLES = Path("/usr/share/mma/lib/stdlib")
#: Chords, one bar after the other, two in a bar with a stroke between; common changes, written for this.
CHANGES = (
    "C Am F G7",
    "G Em7 Am7 D7",
    "Dm7 G7 CM7 CM7 Dm7 G7 Em7 A7",
    "A7 A7 A7 A7 D7 D7 A7 A7 E7 D7 A7 E7",
    "Am G F E7",
    "F/C F/Bb Gm/C F",
    "D A Bm F#m G D G A",
    "Cm7/F7 BbM7/EbM7 Am7b5/D7 Gm7",
    "E B7 C#m A E/G#m F#m/B7",
    "G7 C G7 C F C D7 G7",
)
LEFT_OUT = re.compile("intro|end|fill|wait|tacet|finish", re.IGNORECASE)
FEWEST_BARS, MOST_BARS = 12, 20


def main() -> None:
    """Write a Standard MIDI File per groove."""
    folder = Path(sys.argv[1])
    folder.mkdir(parents=True, exist_ok=True)
    for seed, path in enumerate(sorted(STYLES.glob("*.mma"))):
        text = path.read_text("latin-1")
        names = [name for name in re.findall(r"^\s*DefGroove\s+(\S+)", text, re.MULTILINE) if not LEFT_OUT.search(name)]
        for which, name in enumerate(dict.fromkeys([*names[:1], *names[len(names) // 2 :][:1]])):
            _play(f"{path.stem}:{name}", folder / f"{path.stem}__{name}.mid", np.random.default_rng([seed, which]))


def _play(groove: str, out: Path, rng: np.random.Generator) -> None:
    bars = CHANGES[int(rng.integers(len(CHANGES)))].split()
    count = int(rng.integers(FEWEST_BARS, MOST_BARS + 1))
    lines = [f"{i + 1} {bars[i % len(bars)].replace('/', ' ')}" for i in range(count)]
    with tempfile.NamedTemporaryFile("w", suffix=".mma") as song:
        song.write("\n".join([f"Groove {groove}", "Tempo 120", *lines]) + "\n")
        song.flush()
        done = subprocess.run(["mma", "-0", "-f", str(out), song.name], capture_output=True, text=True, check=False)
    if done.returncode:
        print(f"{groove}: {done.stdout.strip().splitlines()[-1:]}")


if __name__ == "__main__":
    main()
