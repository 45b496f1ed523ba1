"""A small cache of compiled code, and every way in which its files may be damaged.

``python -m tests.robustness.damaged_caches [1000] [50]`` damages it so many times, and has two processes compile at
once from an empty one so many times; it prints what came of it.
"""

import importlib.util
import os
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np

#: Two functions, one of which is compiled for two signatures; STEP is what versions differ in.
SOURCE = """
import numpy as np
from thumbline.dsp.compilation import kernel


@kernel
def stepped(x):
    return x * 0.5 + STEP


@kernel
def total(values):
    result = 0.0
    for value in values:
        result += stepped(value)
    return result
"""
FLOATS, INTEGERS = np.array([1.0, 2.0, 4.0]), np.array([2, 4])
RIGHT = (6.5, 5.0)  #: with a step of 1
OTHER_STEP = 7


def write_source(path: Path, step: int = 1) -> None:
    path.write_text(SOURCE.replace("STEP", str(step)))


def results(source: Path) -> tuple[float, float]:
    """Load the functions afresh, as a new process would, and call them for both signatures."""
    spec = importlib.util.spec_from_file_location("small", source)
    assert spec is not None
    assert spec.loader is not None
    module: Any = importlib.util.module_from_spec(spec)
    sys.modules["small"] = module
    spec.loader.exec_module(module)
    return float(module.total(FLOATS)), float(module.total(INTEGERS))


def files(folder: Path) -> list[Path]:
    return sorted(path for path in folder.rglob("*.nbc") if path.is_file())


def _rewritten(change: Callable[[bytes, random.Random], bytes]) -> Callable[[Path, Path, random.Random], None]:
    def damage(path: Path, _: Path, chance: random.Random) -> None:
        path.write_bytes(change(path.read_bytes(), chance))

    return damage


def _flipped(content: bytes, chance: random.Random) -> bytes:
    changed = bytearray(content)
    for _ in range(chance.choice((1, 1, 8))):
        changed[chance.randrange(len(changed))] ^= 1 << chance.randrange(8)
    return bytes(changed)


def _swapped(path: Path, _: Path, chance: random.Random) -> None:
    other = chance.choice([each for each in files(path.parent) if each != path])
    mine = path.read_bytes()
    path.write_bytes(other.read_bytes())
    other.write_bytes(mine)


def _of_another_version(path: Path, others: Path, chance: random.Random) -> None:
    """The file of the same name where possible, from the folder of other sources."""
    there = {each.name: each for each in files(others)}
    shutil.copy(there.get(path.name) or chance.choice(sorted(there.values())), path)


def _folder(path: Path, _: Path, chance: random.Random) -> None:
    path.unlink()
    path.mkdir()
    if chance.random() < 0.5:
        (path / "in it").write_text("")


def _link(path: Path, others: Path, chance: random.Random) -> None:
    path.unlink()
    path.symlink_to(chance.choice([*files(others), Path("/dev/zero"), path, others]))


def _pipe(path: Path, _: Path, __: random.Random) -> None:
    path.unlink()
    os.mkfifo(path)


def _no_folder(path: Path, _: Path, __: random.Random) -> None:
    shutil.rmtree(path.parent)
    path.parent.write_text("")


DAMAGES: dict[str, Callable[[Path, Path, random.Random], None]] = {
    "cut": _rewritten(lambda content, chance: content[: chance.randrange(len(content))]),
    "emptied": _rewritten(lambda content, chance: b""),
    "flipped": _rewritten(_flipped),
    "overwritten": _rewritten(lambda content, chance: chance.randbytes(len(content))),
    "longer": _rewritten(lambda content, chance: content + chance.randbytes(100)),
    "swapped": _swapped,
    "of another version": _of_another_version,
    "a folder": _folder,
    "a link": _link,
    "a pipe": _pipe,
    "a file for a folder": _no_folder,
}
if sys.platform == "win32":
    del DAMAGES["a pipe"], DAMAGES["a link"]


class Caches:
    """A cache of the functions above, a copy to mend it from, and one of another version of them; under ``folder``."""

    def __init__(self, folder: Path, use: Callable[[Path], None]):
        self._use = use  # makes this process keep compiled code in a folder
        self.source = folder / "small.py"
        self.now, self.good, self.others = (
            folder / "now" / "kernels-1",
            folder / "good",
            folder / "others" / "kernels-2",
        )
        for each in (self.now, self.others):
            each.mkdir(0o700, parents=True)
        write_source(self.source, OTHER_STEP)
        use(self.others)
        assert results(self.source) != RIGHT
        write_source(self.source)
        use(self.now)
        assert results(self.source) == RIGHT
        shutil.copytree(self.now, self.good)

    def damaged_once(self, kind: str, chance: random.Random) -> tuple[float, float]:
        """Begin from a good cache, damage one file that is loaded, or all, and return what the functions give then."""
        shutil.rmtree(self.now)
        shutil.copytree(self.good, self.now)
        whole, loaded = files(self.now), [path for path in files(self.now) if "total" in path.name]
        for path in whole if chance.random() < 0.2 else [chance.choice(loaded)]:
            if path.is_file() and not path.is_symlink():
                DAMAGES[kind](path, self.others, chance)
        self._use(self.now)
        return results(self.source)


COMPILING = """
import sys, time
from pathlib import Path
from tests.robustness.damaged_caches import results
here = Path(sys.argv[1])
Path(sys.argv[2]).touch()
while not (here / "go").exists():
    time.sleep(0.001)
print(*results(here / "small.py"))
"""


def compiled_at_once(folder: Path, processes: int = 2) -> list[str]:
    """What processes print that compile the same from an empty cache, starting at the same moment."""
    write_source(folder / "small.py")
    environment = {**os.environ, "NUMBA_CACHE_DIR": str(folder / "cache"), "PYTHONPATH": str(Path(__file__).parents[2])}
    started = [
        subprocess.Popen(
            [sys.executable, "-c", COMPILING, str(folder), str(folder / f"ready {number}")],
            env=environment,
            stdout=subprocess.PIPE,
            stderr=subprocess.STDOUT,
            text=True,
        )
        for number in range(processes)
    ]
    while len(list(folder.glob("ready *"))) < processes and all(each.poll() is None for each in started):
        time.sleep(0.01)
    (folder / "go").touch()
    return [each.communicate()[0].strip() for each in started]


def main(damaged: int, at_once: int) -> None:
    from thumbline.dsp.machine_code import kernel_files

    with tempfile.TemporaryDirectory() as name:
        folder = Path(name).resolve()

        def use(kernels: Path) -> None:
            kernel_files.folder_in_use = lambda: kernels

        caches, chance = Caches(folder, use), random.Random(1)
        kinds = [list(DAMAGES)[index % len(DAMAGES)] for index in range(damaged)]
        wrong = [kind for kind in kinds if caches.damaged_once(kind, chance) != RIGHT]
        print(f"{damaged} damaged caches: {len(wrong)} wrong {sorted(set(wrong))}")
        bad = []
        for index in range(at_once):
            (here := folder / f"at once {index}").mkdir()
            said = compiled_at_once(here)
            said += compiled_at_once(here, 1)  # from what the two have left
            bad += [text for text in said if text != "{} {}".format(*RIGHT)]
        print(f"{at_once} times two that compile at once, and one after them: {len(bad)} wrong {sorted(set(bad))}")


if __name__ == "__main__":
    main(*(int(argument) for argument in [*sys.argv[1:], "1000", "50"][:2]))
