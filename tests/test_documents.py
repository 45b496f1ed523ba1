"""The documents say what the tests measure, and every promise has its test."""

from pathlib import Path

import pytest

from tests.references import figures
from tests.robustness import promises


def test_documents_have_the_figures_that_were_measured() -> None:
    assert figures.faults() == []


def test_every_promise_names_a_test_and_every_test_of_robustness_is_promised() -> None:
    assert promises.faults() == []


def test_a_stale_figure_and_one_that_nobody_measured_are_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    document, measured = tmp_path / "PITCH.md", tmp_path / "figures.json"
    monkeypatch.setattr(figures, "MEASURED", measured)
    monkeypatch.setattr(figures, "DOCUMENTS", (document,))
    document.write_text("Right in <!--pitch.right-->98.0<!----> %, late by <!--pitch.late-->9<!----> ms.\n")
    measured.write_text('{"pitch.right": "99.5", "pitch.left": "1"}')
    assert figures.faults() == ["PITCH.md: nobody has measured pitch.late", "figures.json: no document has pitch.left"]
    measured.write_text('{"pitch.right": "99.5", "pitch.late": "9"}')
    assert figures.faults() == ["PITCH.md is stale: run python -m tests.references.figures"]
    figures.write()
    assert figures.faults() == []
    assert "98.0" not in document.read_text()
    figures.agrees("pitch.right", 99.54, 1)
    with pytest.raises(AssertionError, match=r"pitch.right is 99\.7, the documents say 99\.5"):
        figures.agrees("pitch.right", 99.7, 1)
    with pytest.raises(AssertionError, match="lacks it"):
        figures.agrees("pitch.sharp", 0.0, 1)
    monkeypatch.setenv("THUMBLINE_FIGURES", "write")
    figures.agrees("pitch.right", 99.7, 1)
    assert "99.7" in document.read_text()


def test_a_promise_without_its_test_is_found(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    table = tmp_path / "PROMISES.md"
    rows = "".join(
        f"| {fault} | holds | {test} | holds |\n"
        for fault, test in (
            ("a good one", "`tests/test_documents.py`, `test_layers.py`"),
            ("the next", "the same"),
            ("a lost one", "`tests/robustness/test_nowhere.py`"),
            ("an ambiguous one", "`test_render.py`"),
            ("an open one", "it is obvious"),
        )
    )
    table.write_text("| fault | promise | test | result |\n|---|---|---|---|\n" + rows)
    (tmp_path / "test_forgotten.py").touch()
    monkeypatch.setattr(promises, "PROMISES", table)
    assert [line for line in promises.faults() if "DESIGN" not in line] == [
        "PROMISES.md: 'a lost one' names tests/robustness/test_nowhere.py, which is not one test",
        "PROMISES.md: 'an ambiguous one' names test_render.py, which is not one test",
        "PROMISES.md: 'an open one' names no test",
        "PROMISES.md: no row names test_forgotten.py",
    ]
