"""Files that appear whole or not at all, whatever fails."""

import os
import stat
from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.files.atomic_write import write_whole


def test_a_failed_write_leaves_the__and_nothing_beside_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "mix.bin"
    path.write_text("old")

    def full_disk(_descriptor: int) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr(os, "fsync", full_disk)
    with pytest.raises(InputError, match=r"mix\.bin: cannot be written \(No space left on device\)"):
        write_whole(path, b"new")
    assert path.read_text() == "old"
    assert list(tmp_path.iterdir()) == [path]


def test_only_a_regular_file_in_a_folder_that_exists_is_written(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is not a regular file"):
        write_whole(tmp_path, b"new")
    with pytest.raises(InputError, match="is not a regular file"):
        write_whole("/dev/null", b"new")
    with pytest.raises(InputError, match=r"cannot be written \(No such file or directory\)"):
        write_whole(tmp_path / "missing" / "mix.bin", b"new")
    with pytest.raises(InputError, match="cannot be written"):
        write_whole("mix\0.bin", b"new")


def test_a_write_protected_file_is_kept(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    path = tmp_path / "mix.bin"
    path.write_text("old")
    monkeypatch.setattr(os, "access", lambda _path, _mode: False)  # the superuser may write anything
    with pytest.raises(InputError, match="is write-protected"):
        write_whole(path, b"new")
    assert path.read_text() == "old"


def test_a_link_stays_a_link_and_permissions_are_kept(tmp_path: Path) -> None:
    real, link = tmp_path / "real.bin", tmp_path / "link.bin"
    real.write_text("old")
    real.chmod(0o640)
    link.symlink_to(real)
    write_whole(link, b"new")
    assert link.is_symlink()
    assert real.read_bytes() == b"new"
    assert stat.S_IMODE(real.stat().st_mode) == 0o640


def test_a_new_file_gets_the_permissions_of_any_new_file(tmp_path: Path) -> None:
    write_whole(tmp_path / "mix.bin", b"new")
    (tmp_path / "other").write_text("")
    assert (tmp_path / "mix.bin").stat().st_mode == (tmp_path / "other").stat().st_mode
