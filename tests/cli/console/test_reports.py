"""What `thumbline live --plain` prints: a line for what a player would look up, nothing for the rest."""

from dataclasses import replace
from typing import NoReturn

import pytest

from thumbline.cli.console.full_screen import ScreenReport
from thumbline.cli.console.notices import Notice
from thumbline.cli.console.reports import JsonReport, PlainReport, Summary

FIGURES = Summary(10.0, 7500, 0, 1, 0.021, 0.095, 1.5, 0, 0, 0.0, 0.0, 0.0)
STRINGS = ["E4", "B3", "G3", "D3", "A2", "E2"]
START = {"strings": STRINGS, "rate": 48000, "block_frames": 64, "songs": ["Slack Water", "Low"]}


@pytest.fixture
def report(capsys: pytest.CaptureFixture[str]) -> PlainReport:
    report = PlainReport()
    report.start(START)
    assert capsys.readouterr().out == "6 strings, 48000 Hz, blocks of 64 frames: Slack Water, Low\n"
    return report


@pytest.mark.parametrize(
    ("event", "words"),
    [
        ({"event": "playing", "in_ms": 1.0, "out_ms": 2.0}, "playing"),
        ({"event": "handover", "string": 6, "from": 0, "cause": "pluck"}, "bass: string 6 (E2)"),
        ({"event": "handover", "string": 0, "from": 6, "cause": "other"}, "bass: none"),
        ({"event": "note", "string": 5, "note": "C3", "cents": -7.4, "hz": 130.0}, "string 5: C3 -7 cents"),
        ({"event": "song", "number": 2, "name": "Low"}, "song 2: Low"),
        ({"event": "channel fault", "channel": 3}, "input channel 3 holds invalid samples"),
    ],
)
def test_what_happened_is_a_line_with_its_time(
    report: PlainReport, capsys: pytest.CaptureFixture[str], event: dict[str, object], words: str
) -> None:
    report.events([{"time_s": 12.3456, **event}])
    line = capsys.readouterr().out
    assert line.startswith(f"   12.346 s  {words}")
    assert line.count("\n") == 1


def test_plucks_ends_and_mutes_are_too_many_for_lines(report: PlainReport, capsys: pytest.CaptureFixture[str]) -> None:
    report.events([{"event": kind, "time_s": 1.0, "string": 1} for kind in ("pluck", "end", "mutes")])
    assert capsys.readouterr().out == ""


def test_a_view_is_made_once_a_second_where_it_is_told_once_a_second() -> None:
    report, made = JsonReport(), 0

    def view() -> NoReturn:
        nonlocal made
        made += 1
        raise LookupError

    with pytest.raises(LookupError):
        report.show(view)
    for _ in range(50):
        report.show(view)
    PlainReport().show(view)
    assert made == 1


def test_faults_go_to_standard_error_and_the_figures_come_last(
    report: PlainReport, capsys: pytest.CaptureFixture[str]
) -> None:
    report.notice(Notice("interface", "The interface has gone", "Is it plugged in?"))
    report.stop(1, FIGURES)
    out, err = capsys.readouterr()
    assert err.startswith("The interface has gone")
    assert err.count("\n") == 1
    assert out.startswith("10.0 s in 7500 blocks, 0 missed, 1 late")
    assert "MIDI messages" not in out, "without a decision there is no time from a pluck to its message"


def test_without_a_message_there_is_no_time_to_it() -> None:
    decided = replace(FIGURES, decisions=31, pluck_to_message_median_ms=1.7)
    assert "MIDI" not in str(decided)
    assert "240 MIDI messages; pluck to message median 1.7" in str(replace(decided, messages=240))


def test_what_the_full_screen_has_told_stays_readable_when_it_has_gone(capsys: pytest.CaptureFixture[str]) -> None:
    with ScreenReport() as report:
        report.start(START)
        assert report.news.now is not None
        assert not report.news.now.fault
        report.events([{"event": "pluck", "time_s": 0.5, "string": 1}, {"event": "channel fault", "channel": 3}])
        assert report.news.now.fault
        report.stop(0, FIGURES)
    left = capsys.readouterr().out
    assert "Input channel 3 holds invalid samples" in left
    assert "look at that cable" in " ".join(left.split())
    assert "7500 blocks" in left
