"""Disks that fill up, folders that may not be written, interrupts, takes that grow: what was there is never harmed."""

import os
import shutil
import struct
import subprocess
import sys
import tempfile
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import soundfile

import thumbline.dsp.files.atomic_write as atomic_write
import thumbline.dsp.machine_code.kernel_cache as kernel_cache
from tests.helpers.file_size_limit import needs_limits, no_file_larger_than
from tests.helpers.interrupts import interrupted_at
from tests.helpers.places import OPEN_STRINGS
from tests.material.short_take import RATE, short_take
from thumbline.dsp.errors import InputError
from thumbline.dsp.files.takes import open_take
from thumbline.dsp.midi.foot_controller import Press
from thumbline.dsp.practice.practice_set import make_practice_set
from thumbline.dsp.practice.settings import PracticeSettings
from thumbline.dsp.rig.edit import save_changes
from thumbline.dsp.rig.file import load_rig, rig_text
from thumbline.dsp.rig.learn_switch import learn
from thumbline.dsp.rig.model import Rig

Run = Callable[..., tuple[int, str, str]]

PRESS = Press("control change", 1, 64, 127)


def tree(folder: Path) -> dict[str, bytes]:
    """Every file under ``folder``, hidden ones too, and what is in it."""
    return {str(path.relative_to(folder)): path.read_bytes() for path in folder.rglob("*") if path.is_file()}


@contextmanager
def as_a_user_that_may_not_write() -> Iterator[None]:
    """Permissions do not bind root: while this lasts the process is nobody."""
    user = os.geteuid()
    if user == 0:
        os.seteuid(65534)
    try:
        yield
    finally:
        if user == 0:
            os.seteuid(user)


@pytest.fixture
def shared_folder() -> Iterator[Path]:
    """A folder that every user can reach, unlike pytest's own."""
    folder = Path(tempfile.mkdtemp())
    folder.chmod(0o755)
    yield folder
    for path in folder.rglob("*"):
        if path.is_dir():
            path.chmod(0o755)
    shutil.rmtree(folder)


# --- no room ---

#: What writes, its arguments (``{take}``, ``{result}``, ``{out}``), and sizes at which the disk is full.
WRITERS: dict[str, tuple[tuple[str, ...], tuple[int, ...]]] = {
    "render": (("render", "{take}", "--out", "{out}"), (0, 1000, 100_000, 172_000)),
    "practice": (("practice", "{take}", "--out", "{out}", "--speeds", "100"), (0, 20_000, 150_000)),
    "practice as ogg": (
        ("practice", "{take}", "--out", "{out}", "--speeds", "100", "--format", "ogg", "--format", "mp3"),
        (0, 5_000),
    ),
    "calibrate": (("calibrate", "{take}", "--out", "{out}/rig.toml"), (0, 3_000)),
    "rig new": (("rig", "new", "{out}/rig.toml", "--force"), (0, 3_000)),
    "score": (("score", "{result}", "{result}/notes.csv", "--picture", "{out}/wrong.png"), (0, 10_000)),
}


@needs_limits
@pytest.mark.parametrize("name", WRITERS)
def test_where_a_disk_is_full_the_command_says_so_and_all_stays_as_it_was(
    run: Run, tmp_path: Path, take: Path, result: Path, name: str
) -> None:
    pytest.importorskip("joblib")  # looks for room of its own when it is imported
    arguments, sizes = WRITERS[name]
    out = tmp_path / "out"
    out.mkdir()
    (out / "rig.toml").write_text("# mine")
    (out / "wrong.png").write_bytes(b"\x89PNG\r\n\x1a\nmine")
    if name == "render":
        shutil.copytree(result, out / take.stem)
    (out / take.stem).mkdir(exist_ok=True)
    (out / take.stem / "mine.txt").write_text("mine")
    before = tree(tmp_path)
    filled = [part.format(take=take, result=result, out=out) for part in arguments]
    for size in sizes:
        with no_file_larger_than(size):
            code, _, err = run(*filled)
        assert code == 2, (size, err)
        assert err.splitlines()[-1].startswith("thumbline: cannot write") or "cannot be written" in err, (size, err)
        assert tree(tmp_path) == before, size
    code, _, err = run(*filled)
    assert code == 0, err
    assert tree(tmp_path) != before


@needs_limits
def test_where_a_guided_take_finds_no_room_nothing_is_left_and_the_former_take_stays(run: Run, tmp_path: Path) -> None:
    with soundfile.SoundFile(tmp_path / "kept.wav", "w", RATE, 6) as former:
        former.comment = "guided take of thumbline calibrate"
    before = tree(tmp_path)
    with no_file_larger_than(50_000):
        code, _, err = run(
            *("calibrate", "--live", OPEN_STRINGS, "--keep", tmp_path / "kept.wav", "--out", tmp_path / "rig.toml")
        )
    assert code == 2, err
    assert "cannot be kept" in err
    assert tree(tmp_path) == before


@needs_limits
def test_a_rig_is_edited_or_taught_whole_or_not_at_all_where_a_disk_is_full(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    path.write_text(rig_text(Rig()))
    before = tree(tmp_path)
    with no_file_larger_than(4_000):
        with pytest.raises(InputError, match="cannot be written"):
            learn(path, "hold", PRESS)
        with pytest.raises(InputError, match="cannot be written"):
            save_changes(path, path, Rig(), {"detect.on_db": [-30.0] * 6}, {"detect.on_db": "louder"})
    assert tree(tmp_path) == before


# --- no permission ---


@needs_limits
@pytest.mark.parametrize("name", WRITERS)
def test_a_folder_that_may_not_be_written_is_named_and_nothing_changes(
    run: Run, shared_folder: Path, take: Path, result: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(kernel_cache, "are_compiled", lambda: True)  # they are, but not in nobody's home
    shutil.copy(take, shared_folder / take.name)
    shutil.copytree(result, shared_folder / "result")
    locked = shared_folder / "locked"
    locked.mkdir()
    (locked / "rig.toml").write_text("# mine")
    locked.chmod(0o555)
    before = tree(shared_folder)
    filled = [
        part.format(take=shared_folder / take.name, result=shared_folder / "result", out=locked)
        for part in WRITERS[name][0]
    ]
    with as_a_user_that_may_not_write():
        code, _, err = run(*filled)
    assert code == 2, err
    assert "locked" in err.splitlines()[-1]
    assert "writ" in err.splitlines()[-1]
    assert tree(shared_folder) == before


def test_a_home_that_cannot_be_written_does_not_stop_a_render(tmp_path: Path) -> None:
    """Nor the folders that libraries keep their things in. Kernels are compiled, as if for the first time, and once for
    all processes; what is compiled goes with the run.
    """
    for name in ("pier", "quay"):
        soundfile.write(tmp_path / f"{name}.wav", short_take()[: RATE // 2], RATE, "PCM_24")
    (tmp_path / "file").write_text("")
    (tmp_path / "temporary").mkdir()
    kept = {name: value for name, value in os.environ.items() if not name.startswith(("XDG_", "NUMBA_", "MPL"))}
    homeless = kept | {"HOME": str(tmp_path / "file" / "home"), "TMPDIR": str(tmp_path / "temporary")}
    command = [sys.executable, "-m", "thumbline.cli", "render", "pier.wav", "quay.wav", "--out", "out", "--jobs", "2"]
    done = subprocess.run(command, cwd=tmp_path, env=homeless, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr
    assert "Traceback" not in done.stderr
    assert done.stderr.count("Compiled code cannot be kept") == done.stderr.count("Compiling the processor") == 1
    assert (tmp_path / "out" / "pier" / "bass.wav").is_file()
    assert (tmp_path / "out" / "quay" / "bass.wav").is_file()
    assert not list((tmp_path / "temporary").glob("thumbline-*"))


# --- interrupted ---


# Between making a file and taking charge of it even Python cannot close it.
@pytest.mark.filterwarnings("ignore::pytest.PytestUnraisableExceptionWarning")
@pytest.mark.parametrize("teach", [False, True], ids=["a file", "a switch"])
def test_an_interrupt_at_any_line_of_writing_leaves_the_old_file_or_the_new_one(tmp_path: Path, teach: bool) -> None:
    """Calibrate, refine, rig new, rig learn and score --picture all write their one file so."""
    path = tmp_path / "rig.toml"
    old = rig_text(Rig()).encode()

    def work() -> None:
        if teach:
            learn(path, "hold", PRESS)
        else:
            atomic_write.write_whole(path, b"new")

    path.write_bytes(old)
    work()
    new = path.read_bytes()
    number, seen = 0, set()
    interrupted = True
    while interrupted:
        number += 1
        path.write_bytes(old)
        interrupted = interrupted_at(number, atomic_write.__file__, work)
        left = tree(tmp_path)
        seen.add(left.pop("rig.toml"))
        # Between making the temporary file and knowing its name nothing can put it away; it is hidden and harmless.
        assert all(name.startswith(".thumbline-") for name in left)
        for name in left:
            (tmp_path / name).unlink()
    assert seen == {old, new}
    assert number > 10


# --- asked for twice at once ---


def at_once(work: Callable[[int], object], times: int = 2) -> list[BaseException]:
    """Do ``work`` in several threads at once and return what they raised."""
    raised: list[BaseException] = []

    def guarded(index: int) -> None:
        try:
            work(index)
        except BaseException as error:
            raised.append(error)

    threads = [threading.Thread(target=guarded, args=(index,)) for index in range(times)]
    for thread in threads:
        thread.start()
    for thread in threads:
        thread.join()
    return raised


def test_a_file_that_two_write_at_once_is_always_one_of_them(tmp_path: Path) -> None:
    path = tmp_path / "rig.toml"
    contents = [bytes([65 + index]) * 20_000 for index in range(3)]

    def work(index: int) -> None:
        for _ in range(20):
            atomic_write.write_whole(path, contents[index])
            assert path.read_bytes() in contents

    assert at_once(work, 3) == []
    assert list(tmp_path.iterdir()) == [path]


def test_a_practice_set_made_twice_at_once_is_whole(tmp_path: Path, take: Path) -> None:
    settings = PracticeSettings(speeds=(100,))
    assert at_once(lambda _: make_practice_set(take, tmp_path, Rig(), settings)) == []
    again = make_practice_set(take, tmp_path, Rig(), settings)
    assert again.written == 0  # every file is as its digest says
    assert [each.name for each in tmp_path.iterdir()] == [take.stem]


# --- a take that is still being recorded ---


def grow(path: Path, frames: int, *, header: bool) -> None:
    """Append frames of silence to a WAV file of six channels of 24 bits; with ``header``, count them there too."""
    raw = bytearray(path.read_bytes()) + bytes(frames * 18)
    if header:
        at = raw.index(b"data") + 4
        (size,) = struct.unpack_from("<I", raw, at)
        struct.pack_into("<I", raw, at, size + frames * 18)
        struct.pack_into("<I", raw, 4, len(raw) - 8)
    with path.open("r+b") as file:  # as a recorder does: the take is read at the same time, and never shorter
        file.write(raw)


@pytest.mark.parametrize("header", [False, True])
def test_a_take_that_grows_while_it_is_read_is_refused(tmp_path: Path, header: bool) -> None:
    path = tmp_path / "pier.wav"
    soundfile.write(path, short_take(), RATE, "PCM_24")
    with open_take(path, 6) as take:
        first = take.blocks(4096)
        read = len(next(first))
        grow(path, 5000, header=header)
        with pytest.raises(InputError, match="changed while it was read"):
            read += sum(map(len, first))
        assert read <= take.frames
        with pytest.raises(InputError, match="changed while it was read"):
            next(take.blocks(4096))


def test_a_take_that_is_exchanged_while_it_is_rendered_is_refused_and_nothing_is_left(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    import thumbline.dsp.kept.replay as replay

    path = tmp_path / "pier.wav"
    soundfile.write(path, short_take(), RATE, "PCM_24")
    survey = replay.survey

    def survey_and_grow(*arguments: Any) -> Any:
        found = survey(*arguments)
        grow(path, 3000, header=True)
        return found

    monkeypatch.setattr(replay, "survey", survey_and_grow)
    code, out, err = run("render", path, "--out", tmp_path / "out")
    assert (code, out) == (2, "")
    assert "changed while it was read" in err
    assert not (tmp_path / "out").exists() or list((tmp_path / "out").iterdir()) == []


# --- names ---

ODD_NAMES = ("two words", "Tarnhölm ♭5", "-dash", "[red] pier", "100% {x}", "a" * 200, "…", "tab\tin it")


@pytest.mark.parametrize("name", ODD_NAMES)
def test_calibrate_render_and_score_take_any_name(
    run: Run, tmp_path: Path, take: Path, name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    shutil.copy(take, f"{name}.wav")
    code, _, err = run("calibrate", "--out", f"./{name}.toml", "--", f"{name}.wav")
    assert code == 0, err
    assert load_rig(tmp_path / f"{name}.toml").string_count == 6
    assert run("render", "--out", name, "--", f"{name}.wav")[0] == 0
    result = f"./{name}/{name.strip('. ')}"
    assert run("score", f"--picture=./{name}.png", "--", result, f"{result}/notes.csv")[0] == 0
    assert np.frombuffer(Path(f"{name}.png").read_bytes()[:4], np.uint8).tobytes() == b"\x89PNG"


@pytest.mark.skipif(sys.platform != "linux", reason="names of any bytes are Linux'")
def test_practice_takes_a_name_that_cannot_be_decoded(run: Run, tmp_path: Path, take: Path) -> None:
    odd = tmp_path / os.fsdecode(b"caf\xe9")
    odd.mkdir()
    shutil.copy(take, odd / "pier.wav")
    code, _, err = run("practice", odd / "pier.wav", "--out", odd / "sets", "--speeds", "100")
    assert code == 0, err
    assert run("render", odd / "pier.wav", "--out", odd / "split")[0] == 0
    code, _, err = run("practice", odd / "split" / "pier", "--out", odd / "again", "--speeds", "100")
    assert code == 0, err
