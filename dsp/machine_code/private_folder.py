"""Folders in which nobody but the user can put or exchange a file: only from such folders may code be loaded.

Whoever may write to a folder above can move the one below away and put another in its place, so the whole path counts.
A folder above with the sticky bit, such as /tmp, may be open to all: there nobody can move what belongs to others
(POSIX.1-2017, rename and chmod, S_ISVTX). Links are followed once; what they lead to is checked and used.
"""

import os
import stat
from contextlib import suppress
from pathlib import Path

#: Write permission for the group and for everybody.
_GROUP, _OTHERS = stat.S_IWGRP, stat.S_IWOTH


class NotPrivateError(Exception):
    """Somebody else could put or exchange files here; the message names the folder and says who."""


def make_private(path: Path) -> Path:
    """Make the folder ``path`` and those above it, as far as they are missing, with mode 0700 whatever the umask.

    Returns the folder's path without links. Raises OSError if it cannot be made, NotPrivateError as
    :func:`require_private` does.
    """
    missing = [folder for folder in (path, *path.parents) if not folder.exists()]
    for folder in reversed(missing):
        with suppress(FileExistsError):  # another process has just made it
            folder.mkdir(0o700)
    folder = path.resolve(strict=True)
    if not folder.is_dir():
        raise NotADirectoryError(20, "Not a directory", str(folder))
    require_private(folder)
    return folder


def require_private(folder: Path) -> None:
    """Raise NotPrivateError unless only the user may write to ``folder``, a resolved path, and exchange a part of it.

    The folder has to be the user's own; those above may be the administrator's. Where files have no owners (Windows)
    every folder passes.
    """
    if not hasattr(os, "geteuid"):
        return
    user = os.geteuid()
    for each in (folder, *folder.parents):
        status = each.lstat()
        owners = {user} if each == folder else {user, 0}
        if status.st_uid not in owners:
            raise NotPrivateError(f"{each} belongs to another user")
        if not _others_may_write(status):
            continue
        if each == folder or not status.st_mode & stat.S_ISVTX:
            raise NotPrivateError(f"{each} may be written to by others")


def close_to_others(folder: Path) -> None:
    """Take from others the right to write to a folder of the user's; a link or another user's folder is let be."""
    descriptor = os.open(folder, os.O_RDONLY | os.O_DIRECTORY | os.O_NOFOLLOW)
    try:
        if os.fstat(descriptor).st_uid == os.geteuid():
            os.fchmod(descriptor, 0o700)
    finally:
        os.close(descriptor)


def is_own_file(status: os.stat_result) -> bool:
    """Whether this is a regular file of the user's that nobody else may write to."""
    if not hasattr(os, "geteuid"):
        return stat.S_ISREG(status.st_mode)
    return stat.S_ISREG(status.st_mode) and status.st_uid == os.geteuid() and not _others_may_write(status)


def _others_may_write(status: os.stat_result) -> bool:
    if status.st_mode & _OTHERS:
        return True
    return bool(status.st_mode & _GROUP) and not _is_group_of_one(status.st_gid)


def _is_group_of_one(group: int) -> bool:
    """Whether a group is the user's private one: where every user has one, folders are made writable for it."""
    import grp
    import pwd

    try:
        user = pwd.getpwuid(os.geteuid())
        named = grp.getgrgid(group)
    except KeyError:
        return False
    if named.gr_name != user.pw_name or set(named.gr_mem) - {user.pw_name}:
        return False
    return all(each.pw_uid == user.pw_uid for each in pwd.getpwall() if each.pw_gid == group)
