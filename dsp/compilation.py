"""Compile policy: the one place that decides how kernels become machine code.

Numba keeps compiled code on disk, but does not notice when a function called from another file has changed. So the
cache folder carries a hash of every source file that kernels are made of: edit one, and all is compiled anew.

Set ``NUMBA_DISABLE_JIT=1`` to run every kernel as plain Python (slow; for coverage and debugging).
"""

import hashlib
import os
import re
import tempfile
from collections.abc import Callable
from pathlib import Path
from typing import Any, TypeVar, cast

import numba
from numba.core import config as numba_config

#: Numba's settings, which its type hints do not list.
_numba_settings: Any = numba_config

F = TypeVar("F", bound=Callable[..., object])


#: An import from this package, in a source.
_IMPORT = re.compile(rb"^from thumbline\.dsp\.(\w+) import", re.MULTILINE)
#: The import that every source with a kernel has.
_IMPORT_OF_KERNEL = b"from thumbline.dsp.compilation import kernel"


def _kernel_sources() -> dict[str, bytes]:
    """Sources of this package that hold kernels, and those that they import, by name."""
    sources = {path.stem: path.read_bytes() for path in Path(__file__).parent.glob("*.py")}
    found = {name for name, text in sources.items() if _IMPORT_OF_KERNEL in text}
    front = set(found)
    while front:
        imported = {match.decode() for name in front for match in _IMPORT.findall(sources[name])}
        front = (imported & sources.keys()) - found
        found |= front
    return {name: sources[name] for name in sorted(found)}


def _source_hash() -> str:
    """Digest of all that kernels are made of, short enough for a folder name."""
    digest = hashlib.sha256()
    for name, text in _kernel_sources().items():
        digest.update(name.encode())
        digest.update(text)
    return digest.hexdigest()[:16]


def _writable(folder: Path) -> bool:
    """Whether files can be made in ``folder``, which is created if need be."""
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with tempfile.TemporaryFile(dir=folder):
            return True
    except OSError:
        return False


def cache_folder() -> Path:
    """Return the folder of compiled kernels: in the user's cache, or a private temporary one if that is read-only."""
    base = Path(os.environ.get("XDG_CACHE_HOME") or Path.home() / ".cache")
    folder = base / "thumbline" / f"kernels-{_source_hash()}"
    return folder if _writable(folder) else Path(tempfile.mkdtemp(prefix="thumbline-kernels-"))


def kernel(function: F) -> F:
    """Compile ``function`` with Numba in nopython mode when it is first called.

    Of fast-math only fused multiply-add is allowed: the compiler must not regroup sums, and NaN must stay visible to
    the checks that replace it. Division follows IEEE 754 instead of raising, as in NumPy.
    """
    return cast("F", numba.njit(cache=True, error_model="numpy", fastmath={"contract"}, nogil=True)(function))


def are_compiled() -> bool:
    """Whether compiled kernels of these sources are on disk (or compiling is switched off)."""
    return bool(_numba_settings.DISABLE_JIT) or any(Path(_numba_settings.CACHE_DIR).rglob("process.process-*.nbc"))


# Straight-line code for four strings becomes vector code; Numba leaves this to the user.
_numba_settings.SLP_VECTORIZE = 1
if "NUMBA_CACHE_DIR" not in os.environ:
    _numba_settings.CACHE_DIR = str(cache_folder())
