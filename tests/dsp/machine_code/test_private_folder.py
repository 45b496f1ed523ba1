"""Which folders nobody else can put anything into: the whole path counts, with the sticky bit as POSIX has it."""

import os
import stat
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest

from thumbline.dsp.machine_code import private_folder
from thumbline.dsp.machine_code.private_folder import NotPrivateError, is_own_file, make_private, require_private

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="files have no owners")
needs_root = pytest.mark.skipif(not hasattr(os, "geteuid") or os.geteuid() != 0, reason="only root can give files away")

NOBODY = 65534


@pytest.fixture
def open_umask() -> Iterator[None]:
    old = os.umask(0)
    yield
    os.umask(old)


@pytest.mark.usefixtures("open_umask")
def test_all_that_is_missing_is_made_for_the_user_alone_whatever_the_umask(tmp_path: Path) -> None:
    made = make_private(tmp_path / "a" / "b" / "c")
    assert made == (tmp_path / "a" / "b" / "c").resolve()
    for folder in (made, made.parent, made.parent.parent):
        assert stat.S_IMODE(folder.stat().st_mode) == 0o700
    assert make_private(made) == made


@pytest.mark.parametrize("mode", [0o777, 0o702, 0o1777, 0o722])
def test_a_folder_that_others_may_write_to_is_refused(tmp_path: Path, mode: int) -> None:
    folder = tmp_path / "a"
    folder.mkdir()
    folder.chmod(mode)
    with pytest.raises(NotPrivateError, match=r"a may be written to by others"):
        make_private(folder)


def test_so_is_one_that_lies_in_such_a_folder_unless_that_is_sticky(tmp_path: Path) -> None:
    inner = tmp_path / "a" / "b"
    inner.mkdir(parents=True)
    (tmp_path / "a").chmod(0o777)
    with pytest.raises(NotPrivateError, match=r"a may be written to by others"):
        make_private(inner)
    (tmp_path / "a").chmod(0o1777)
    assert make_private(inner) == inner.resolve()


def test_a_link_is_followed_once_and_what_it_leads_to_is_checked(tmp_path: Path) -> None:
    (tmp_path / "good").mkdir(0o700)
    (tmp_path / "open").mkdir()
    (tmp_path / "open").chmod(0o777)
    (tmp_path / "to good").symlink_to(tmp_path / "good")
    (tmp_path / "to open").symlink_to(tmp_path / "open")
    assert make_private(tmp_path / "to good") == (tmp_path / "good").resolve()
    with pytest.raises(NotPrivateError, match="open may be written"):
        make_private(tmp_path / "to open")
    (tmp_path / "round").symlink_to(tmp_path / "round")
    with pytest.raises((OSError, RuntimeError)):
        make_private(tmp_path / "round")


@needs_root
@pytest.mark.parametrize("depth", [0, 1, 2])
def test_a_folder_of_another_users_is_refused_wherever_it_stands_in_the_path(tmp_path: Path, depth: int) -> None:
    folder = tmp_path / "a" / "b" / "c"
    folder.mkdir(parents=True)
    theirs = (folder, *folder.parents)[depth]
    os.chown(theirs, NOBODY, NOBODY)
    with pytest.raises(NotPrivateError, match=f"{theirs.name} belongs to another user"):
        make_private(folder)


@needs_root
def test_the_administrators_folders_may_stand_above_but_not_be_the_one(tmp_path: Path) -> None:
    """As another user, whose folder lies in root's: pytest's own are closed to them."""
    import tempfile

    base = Path(tempfile.mkdtemp()).resolve()
    base.chmod(0o755)
    own = base / "own"
    own.mkdir()
    os.chown(own, NOBODY, NOBODY)
    os.seteuid(NOBODY)
    try:
        require_private(own)
        with pytest.raises(NotPrivateError, match="belongs to another user"):
            require_private(base)
    finally:
        os.seteuid(0)
        own.rmdir()
        base.rmdir()


def test_the_group_may_write_if_the_user_is_alone_in_it(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Debian, Fedora and others give each user a group of their own and a umask of 002 (common practice, no source)."""
    import grp
    import pwd

    folder = tmp_path / "a"
    folder.mkdir()
    folder.chmod(0o770)
    me = pwd.getpwuid(os.geteuid())
    other = pwd.struct_passwd(("ada", "x", me.pw_uid + 1, me.pw_gid + 1, "", "/", "/"))

    def as_if(name: str, members: list[str], accounts: list[pwd.struct_passwd]) -> None:
        monkeypatch.setattr(grp, "getgrgid", lambda gid: grp.struct_group((name, "x", gid, members)))
        monkeypatch.setattr(pwd, "getpwall", lambda: accounts)

    as_if(me.pw_name, [], [me, other])
    assert make_private(folder) == folder.resolve()
    as_if(me.pw_name, [me.pw_name], [me])
    assert make_private(folder) == folder.resolve()
    in_it = pwd.struct_passwd(("ada", "x", me.pw_uid + 1, folder.stat().st_gid, "", "/", "/"))
    for name, members, accounts in (
        (me.pw_name, ["ada"], [me, other]),
        ("band", [], [me, other]),
        (me.pw_name, [], [me, in_it]),
    ):
        as_if(name, members, accounts)
        with pytest.raises(NotPrivateError):
            make_private(folder)

    def nobody_knows(_: int) -> grp.struct_group:
        raise KeyError

    monkeypatch.setattr(grp, "getgrgid", nobody_knows)
    with pytest.raises(NotPrivateError):
        make_private(folder)


def test_a_file_in_place_of_the_folder_is_an_error_of_the_system(tmp_path: Path) -> None:
    (tmp_path / "a").write_text("")
    for path in (tmp_path / "a", tmp_path / "a" / "b"):
        with pytest.raises(OSError, match="directory"):
            make_private(path)


def test_files_are_the_users_own_or_not(tmp_path: Path) -> None:
    path = tmp_path / "a"
    path.write_text("")
    for mode, own in ((0o600, True), (0o644, True), (0o646, False), (0o666, False)):
        path.chmod(mode)
        assert is_own_file(path.stat()) == own
    assert not is_own_file(tmp_path.stat())


def test_where_files_have_no_owners_every_folder_passes(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    tmp_path.chmod(0o777)
    monkeypatch.delattr(private_folder.os, "geteuid")
    assert make_private(tmp_path) == tmp_path.resolve()
    (tmp_path / "a").write_text("")
    assert is_own_file((tmp_path / "a").stat())
