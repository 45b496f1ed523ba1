"""Where compiled kernels are kept on disk, and whether they are there; asked without loading the compiler.

Numba does not notice when a function called from another file has changed. So the folder's name carries a hash of every
source file that kernels are made of: edit one, and all is compiled anew.
"""

import hashlib
import os
import re
import tempfile
from functools import cache
from pathlib import Path

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


@cache
def folder_in_use() -> Path:
    """Return where this process keeps compiled kernels: Numba's own setting NUMBA_CACHE_DIR wins."""
    named = os.environ.get("NUMBA_CACHE_DIR")
    return Path(named) if named else cache_folder()


def are_compiled() -> bool:
    """Whether compiled kernels of these sources are on disk (or compiling is switched off)."""
    if os.environ.get("NUMBA_DISABLE_JIT", "0") not in ("", "0"):
        return True
    return any(folder_in_use().rglob("process.process-*.nbc"))
