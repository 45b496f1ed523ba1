"""What the tests of outputs share: a folder's content, and a result that was there before."""

from pathlib import Path


def tree(folder: Path) -> dict[str, str]:
    """Every file under ``folder``, hidden ones too, and what is in it; folders end in a slash."""
    return {
        f"{path.relative_to(folder)}{'/' if path.is_dir() else ''}": "" if path.is_dir() else path.read_text()
        for path in sorted(folder.rglob("*"))
    }


def earlier_result(parent: Path) -> dict[str, str]:
    (parent / "take").mkdir(parents=True)
    (parent / "take" / "bass.txt").write_text("old bass")
    (parent / "take" / "setlist.txt").write_text("the guitarist's own")
    return tree(parent)
