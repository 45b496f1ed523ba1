"""Where compiled kernels are kept on disk, and whether they are there; asked without loading the compiler.

Numba does not notice when a function called from another file has changed. So the folder's name carries a hash of every
source file that kernels are made of: edit one, and all is compiled anew.

What is loaded from the folder is run. It is used only if nobody else can write there (``private_folder``); else this
run gets a folder of its own, which it hands to the processes that it starts and removes when it ends.
"""

import atexit
import hashlib
import logging
import os
import re
import shutil
import tempfile
import time
from collections.abc import Iterator
from contextlib import suppress
from functools import cache
from pathlib import Path

from thumbline.dsp.errors import printable
from thumbline.dsp.machine_code.private_folder import NotPrivateError, close_to_others, make_private

#: An import from this package, in a source: the module, and the names that it gives.
_IMPORT = re.compile(
    rb"^(?:from thumbline\.dsp((?:\.\w+)*) import (\([^)]*\)|.*)|import thumbline\.dsp((?:\.\w+)+))", re.MULTILINE
)
_NAME = re.compile(rb"\w+")
#: Where the mark of a kernel comes from.
_POLICY, _MARK = "compilation", "kernel"

#: Folders of earlier versions go when they have not been used for so long.
UNUSED_S = 30 * 86_400.0
#: How old the mark of the last use may become.
_USED_S = 86_400.0
#: Private folders are called so, and the number of the process that made them.
PREFIX = "thumbline-kernels-"

#: Where a process hands its private folder to those it starts.
HANDED_ON = "NUMBA_CACHE_DIR"

_log = logging.getLogger(__name__)


def _imports(text: bytes, known: dict[str, bytes]) -> set[str]:
    """Modules of this package that a source imports, with the packages that they lie in."""
    found: set[str] = set()
    for module, names, plain in _IMPORT.findall(text):
        base = (module or plain).decode().removeprefix(".")
        ends = [base, *(f"{base}.{name.decode()}".removeprefix(".") for name in _NAME.findall(names))]
        for end in ends:
            parts = end.split(".")
            found |= {".".join(parts[:count]) for count in range(1, len(parts) + 1)}
    return found & known.keys()


def _has_kernels(text: bytes) -> bool:
    """Whether a source imports the mark of a kernel."""
    return any(
        module.decode() == f".{_POLICY}" and _MARK.encode() in _NAME.findall(names)
        for module, names, _ in _IMPORT.findall(text)
    )


def _kernel_sources() -> dict[str, bytes]:
    """Sources of this package that hold kernels, and those that they import, by dotted name within the package."""
    package = Path(__file__).parents[1]
    sources: dict[str, bytes] = {}
    for path in package.rglob("*.py"):
        parts = path.relative_to(package).with_suffix("").parts
        sources[".".join(parts[:-1] if parts[-1] == "__init__" else parts)] = path.read_bytes()
    found = {name for name, text in sources.items() if _has_kernels(text)}
    front = set(found)
    while front:
        front = {module for name in front for module in _imports(sources[name], sources)} - found
        found |= front
    return {name: sources[name] for name in sorted(found)}


def _source_hash() -> str:
    """Digest of all that kernels are made of, short enough for a folder name."""
    digest = hashlib.sha256()
    for name, text in _kernel_sources().items():
        digest.update(f"{name} {len(text)}\n".encode())
        digest.update(text)
    return digest.hexdigest()[:16]


def _users_cache() -> Path:
    """The folder that the user keeps caches in. A path that is not absolute is ignored, as the XDG specification says.

    Raises OSError if the user has no home.
    """
    named = os.environ.get("XDG_CACHE_HOME", "")
    try:
        return Path(named) if Path(named).is_absolute() else Path.home() / ".cache"
    except RuntimeError as error:
        raise FileNotFoundError(2, str(error)) from None


def _kernels_in(base: Path) -> Path:
    """Return the folder for these sources in ``base``, a folder that may be private already. Raises as make_private."""
    folder = base / f"kernels-{_source_hash()}"
    is_new = not folder.exists()
    try:
        made = make_private(folder)
    except NotPrivateError:
        make_private(base)  # else it is useless
        if folder.is_symlink():
            folder.unlink()
        else:
            shutil.rmtree(folder)  # others may have put something in
        made = make_private(folder)
    with tempfile.TemporaryFile(dir=made):
        pass
    if time.time() - made.stat().st_mtime > _USED_S:
        os.utime(made)
    if is_new:
        _remove_unused(made.parent)
    return made


def _remove_unused(base: Path) -> None:
    """Remove folders of earlier versions that nobody has used for long."""
    for folder in base.glob("kernels-*"):
        with suppress(OSError):
            if folder.is_dir() and not folder.is_symlink() and time.time() - folder.stat().st_mtime > UNUSED_S:
                shutil.rmtree(folder, ignore_errors=True)


def _own_base() -> Path:
    """Return our folder in the user's cache, closed to others if an earlier version left it open."""
    own = _users_cache() / "thumbline"
    try:
        return make_private(own)
    except NotPrivateError:
        close_to_others(own)
        return make_private(own)


def cache_folder() -> Path | None:
    """Return the folder of compiled kernels: in NUMBA_CACHE_DIR if that is set, else in the user's cache.

    Where that cannot be written, or others could write there, it is a private one for this run, and the reason goes to
    the log. None if no such place is to be had: then nothing is kept.
    """
    named = os.environ.get(HANDED_ON, "")
    try:
        return _kernels_in(Path(named) if Path(named).is_absolute() else _own_base())
    except NotPrivateError as error:
        reason = str(error)
    except OSError as error:
        reason = f"{error.filename or 'the home folder'}: {error.strerror}"
    _log.warning("Compiled code cannot be kept (%s): every start compiles anew.", printable(reason))
    return _private_folder()


def _private_folder() -> Path | None:
    """Make a folder for this run; None if there is no place for it."""
    for place in _temporary_places():
        with suppress(OSError, NotPrivateError):
            _remove_leftovers(place)
            folder = Path(tempfile.mkdtemp(prefix=f"{PREFIX}{os.getpid()}-", dir=place)).resolve()
            atexit.register(_remove, folder, os.getpid())
            return _kernels_in(folder)
    return None


def _temporary_places() -> Iterator[Path]:
    """Places for temporary folders, best first. (The working folder is the player's, whatever Python thinks of it.)"""
    for name in ("TMPDIR", "TEMP", "TMP"):
        if os.environ.get(name):
            yield Path(os.environ[name]).absolute()
    if os.name == "posix":
        yield from (Path("/tmp"), Path("/var/tmp"))
        if os.environ.get("XDG_RUNTIME_DIR"):
            yield Path(os.environ["XDG_RUNTIME_DIR"])
        yield Path("/dev/shm")
    else:
        yield Path(tempfile.gettempdir())


def _remove(folder: Path, pid: int) -> None:
    """Remove the private folder, in the process that made it only."""
    if os.getpid() == pid:
        shutil.rmtree(folder, ignore_errors=True)


def _remove_leftovers(place: Path) -> None:
    """Remove private folders of runs that were killed."""
    if os.name != "posix":  # elsewhere a number says nothing about who has it now
        return
    for folder in place.glob(f"{PREFIX}*"):
        number = re.match(r"(\d{1,9})-", folder.name.removeprefix(PREFIX))
        with suppress(OSError):
            if number and folder.lstat().st_uid == os.geteuid() and not _runs(int(number[1])):
                shutil.rmtree(folder, ignore_errors=True)


def _runs(pid: int) -> bool:
    try:
        os.kill(pid, 0)
    except OSError as error:
        return not isinstance(error, ProcessLookupError)
    return True


@cache
def folder_in_use() -> Path | None:
    """Return where this process keeps compiled kernels, None if nowhere; those that it starts share a private one."""
    folder = cache_folder()
    if folder is not None and folder.parent.name.startswith(PREFIX):
        os.environ[HANDED_ON] = str(folder.parent)
    return folder


def are_compiled() -> bool:
    """Whether compiled kernels of these sources are on disk (or compiling is switched off)."""
    if os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"):
        return True
    folder = folder_in_use()
    return folder is not None and any(folder.rglob("process.process-*.nbc"))
