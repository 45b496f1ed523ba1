"""The notebook's archive on two workers of `distributed`, one of which is killed in the midst of a take.

Every take is there whole, as one that is rendered by itself; none is lost, none comes twice, and nothing else is left.
"""

import json
import subprocess
import sys
from pathlib import Path

import nbformat
import pytest
import soundfile

import thumbline.dsp as tl
from tests.helpers.places import DATA, DEMO, ROOT

pytest.importorskip("distributed", reason="needs distributed (the extra cluster)")

TAKES, SECONDS = 4, 3
#: Runs the notebook's cell against the scheduler at an address; kills a worker that has begun to write a take.
DRIVER = """
import json, os, signal, sys, threading, time
from pathlib import Path
from dask.distributed import Client, LocalCluster, as_completed
import thumbline.dsp as tl

def kill_one(workers, out, killed):
    with Client(workers) as watch:
        pids = watch.run(os.getpid)
        while not killed:
            for worker, jobs in watch.processing().items():
                if jobs and any(path.is_dir() for path in out.iterdir()):
                    os.kill(pids[worker], signal.SIGKILL)
                    killed.append(pids[worker])
                    break
            time.sleep(0.002)

if __name__ == "__main__":
    _, cell, takes, out, rig = sys.argv
    takes, out = [Path(each) for each in json.loads(takes)], Path(out)
    out.mkdir()
    killed = []
    with LocalCluster(n_workers=2, threads_per_worker=1, dashboard_address=None) as workers:
        killer = threading.Thread(target=kill_one, args=(workers, out, killed), daemon=True)
        killer.start()
        names = {"tl": tl, "Client": Client, "as_completed": as_completed, "rig": tl.load_rig(rig)}
        exec(cell, names | {"scheduler": workers.scheduler_address, "takes": takes, "out": out})
    print(f"killed {len(killed)}")
"""


@pytest.fixture
def takes(tmp_path: Path) -> list[Path]:
    """Every few seconds of the demo, as takes of their own."""
    paths = []
    for number in range(TAKES):
        frames, rate = soundfile.read(DEMO, start=number * SECONDS * 48_000, frames=SECONDS * 48_000)
        paths.append(tmp_path / f"part {number + 1}.wav")
        soundfile.write(paths[-1], frames, rate, "PCM_24")
    return paths


def cluster_cell() -> str:
    cells = nbformat.read(ROOT / "notebooks" / "script.ipynb", as_version=4).cells
    return next(cell.source for cell in cells if cell.id == "cluster-run")


def share_out(takes: list[Path], folder: Path) -> subprocess.CompletedProcess[str]:
    """Run the cell over the takes; results go to ``folder / "out"``."""
    driver = folder / "driver.py"  # a file: workers are started anew and import it
    driver.write_text(DRIVER)
    arguments = [cluster_cell(), json.dumps(list(map(str, takes))), str(folder / "out"), str(DATA / "demo.toml")]
    return subprocess.run(
        [sys.executable, str(driver), *arguments],
        cwd=folder,
        capture_output=True,
        text=True,
        timeout=230.0,
        check=False,
    )


def test_a_worker_is_killed_and_every_take_is_there_once_and_whole(takes: list[Path], tmp_path: Path) -> None:
    bad = tmp_path / "no take.wav"
    bad.write_bytes(b"RIFF")
    done = share_out([bad, *takes], tmp_path)
    assert done.returncode == 0, done.stderr
    *told, last = done.stdout.splitlines()
    assert last == "killed 1", "or nothing was tried"
    (refused,) = (line for line in told if str(bad) in line)
    assert "no take.wav" in refused.split(": ", 1)[1]
    told.remove(refused)
    assert sorted(line.split(":")[0] for line in told) == [take.stem for take in takes], "told once each"
    assert all(f"bass notes in {SECONDS}.0 s" in line for line in told)

    out = tmp_path / "out"
    assert sorted(path.name for path in out.iterdir()) == [take.stem for take in takes], "nothing else is left"
    rig = tl.load_rig(DATA / "demo.toml")
    for take in takes:
        alone = tl.render_take(take, tmp_path / "alone", rig)
        assert {path.name for path in alone.folder.iterdir()} == {path.name for path in (out / take.stem).iterdir()}
        for name in ("bass.wav", "guitar.wav", "bassline.csv", "notes.csv", "mutes.mid"):
            assert (out / take.stem / name).read_bytes() == (alone.folder / name).read_bytes(), name
        assert tl.render_take(take, out, rig, go_on=True).as_before, "whole, by its own table of contents"
