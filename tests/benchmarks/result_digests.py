"""SHA-256 of everything that the commands write, to show that a change of the code's layout changes no result.

Run it before the change by ``python -m tests.benchmarks.result_digests before.txt`` and after it by
``python -m tests.benchmarks.result_digests after.txt before.txt``, which exits 1 and names the files that differ. One
line per file: digest, name. Digests hold on one machine only: another processor may round differently.

The material is the demo and, where the environment variable ``THUMBLINE_RECORDINGS`` names their folder, two takes of
recorded notes. Covered are `calibrate`, `render`, `practice` and `score` with what they print; how long rendering took
is left out, and so are the serial numbers of Ogg streams, which are drawn by lot.
"""

import base64
import hashlib
import json
import re
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

from tests.helpers.places import RECORDINGS, ROOT

#: Take, its truth, and the take of the same guitar's open strings.
DEMO = ("demo", "demo_open_strings")
RECORDED = (("funk_comp", "open_strings_1"), ("palm_thumb", "open_strings_4"))


def gather(folder: Path) -> list[tuple[str, str]]:
    """Copy the takes into ``folder``, which commands name relatively; return (take, take of open strings)."""
    places = {DEMO: ROOT / "data"}
    if RECORDINGS is not None:
        places |= dict.fromkeys(RECORDED, RECORDINGS / "takes")
    for names, place in places.items():
        for name in names:
            shutil.copy(place / f"{name}.flac", folder)
        shutil.copy(place / f"{names[0]}.json", folder)
    return list(places)


def commands(take: str, open_strings: str) -> dict[str, list[str]]:
    """Name of each run, and its words."""
    rig = f"{take}.toml"
    whole = ["practice", f"{take}.flac", "--rig", rig, "--out", "practice", "--loop", "3-6", "--ladder", "60-100/20"]
    return {
        "calibrate": ["calibrate", f"{open_strings}.flac", "--out", rig],
        "render": ["render", f"{take}.flac", "--rig", rig, "--out", "render"],
        "render without a rig": ["render", f"{take}.flac", "--out", "plain"],
        "practice": [*whole, "--speeds", "100,75", "--format", "flac", "--format", "wav"],
        "practice of a result": ["practice", f"render/{take}", "--out", "again", "--transpose", "2", "--speeds", "80"],
        "score": ["score", f"render/{take}", f"{take}.json", "--json", "--picture", f"{take}-score.png"],
        "score in words": ["score", f"plain/{take}", f"{take}.json"],
    }


def without_timing(folder: Path) -> None:
    """Set the time that rendering took to 0 in every summary below ``folder``, and forget the digest made with it."""
    untimed = {"processing_s": 0.0, "times_real_time": None, "check": None}
    for path in folder.rglob("summary.json"):
        summary = json.loads(path.read_text("utf-8"))
        path.write_text(json.dumps(summary | untimed, indent=2) + "\n", "utf-8")


def without_serials(folder: Path) -> None:
    """Set to 0 what no two runs have alike: the serial number of each Ogg stream in a practice page (RFC 3533).

    The checksums that depend on it are set to 0 too, and the index forgets the page's digest and its own.
    """

    def plain(found: re.Match[str]) -> str:
        pages = base64.b64decode(found[0]).split(b"OggS")
        plain_pages = (page[:10] + bytes(4) + page[14:18] + bytes(4) + page[22:] for page in pages if page)
        return base64.b64encode(b"".join(b"OggS" + page for page in plain_pages)).decode()

    for path in folder.rglob("practice.html"):
        path.write_text(re.sub(r"\bT2dnUw[A-Za-z0-9+/]+=*", plain, path.read_text("utf-8")), "utf-8")
    for path in folder.rglob("index.json"):
        index = json.loads(path.read_text("utf-8"))
        index["check"] = index["made_from"]["files"]["practice.html"]["digest"] = None
        path.write_text(json.dumps(index, indent=1), "utf-8")


def digest(content: bytes) -> str:
    """SHA-256 in hexadecimal digits."""
    return hashlib.sha256(content).hexdigest()


def results() -> dict[str, str]:
    """Run every command; name of a file or of what was printed -> digest."""
    found: dict[str, str] = {}
    with tempfile.TemporaryDirectory() as temporary:
        folder = Path(temporary)
        takes = gather(folder)
        given = {path.name for path in folder.iterdir()}
        for take, open_strings in takes:
            for name, words in commands(take, open_strings).items():
                command = [sys.executable, "-m", "thumbline.cli", *words]
                done = subprocess.run(command, cwd=folder, capture_output=True, check=False)
                if done.returncode != 0:
                    sys.exit(f"{' '.join(words)}: {done.stderr.decode()}")
                if name.startswith("render"):
                    without_timing(folder)
                printed = re.sub(rb"\d+ times real time", b"", done.stdout)
                found[f"printed: {name} {take}"] = digest(printed)
        without_serials(folder)
        for path in sorted(folder.rglob("*")):
            if path.is_file() and path.name not in given:
                found[path.relative_to(folder).as_posix()] = digest(path.read_bytes())
    return found


def main(table: Path, reference: Path | None) -> int:
    """Write the table, compare it with an earlier one; return the exit code."""
    found = results()
    table.write_text("".join(f"{value}  {name}\n" for name, value in found.items()), "utf-8")
    print(f"{len(found)} results in {table}")
    if reference is None:
        return 0
    lines = (line.partition("  ") for line in reference.read_text("utf-8").splitlines())
    before = {name: value for value, _, name in lines}
    differ = sorted(name for name in before.keys() | found.keys() if before.get(name) != found.get(name))
    print("\n".join(f"differs: {name}" for name in differ) or f"all equal to {reference}")
    return 1 if differ else 0


if __name__ == "__main__":
    sys.exit(main(Path(sys.argv[1]), Path(sys.argv[2]) if len(sys.argv) > 2 else None))
