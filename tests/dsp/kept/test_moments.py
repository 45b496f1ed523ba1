"""Where in a kept take a time of day is."""

from pathlib import Path

import pytest

from thumbline.dsp.errors import InputError
from thumbline.dsp.kept.moments import seconds_at

ROWS = """time_s,clock,event,string,value
0.000000,23:59:50.000,begin,,
12.500000,00:00:02.500,pluck,3,-20.0
20.000000,00:01:10.000,begin,,
50.000000,00:01:40.000,pluck,3,-20.0
60.0000,00:0"""


@pytest.fixture
def gig(tmp_path: Path) -> Path:
    for name in ("kept.json", "strings.wav"):
        (tmp_path / name).touch()
    (tmp_path / "events.csv").write_text(ROWS)
    return tmp_path


def test_a_time_of_day_is_a_place_in_the_take_over_midnight_and_a_restart(gig: Path) -> None:
    assert seconds_at(gig, "23:59:51.5") == pytest.approx(1.5)
    assert seconds_at(gig, "00:00") == pytest.approx(10.0)
    assert seconds_at(gig, "0:01:15") == pytest.approx(25.0)


@pytest.mark.parametrize("clock", ["00:01:00", "12:31", "25", "half past"])
def test_other_times_are_refused(gig: Path, clock: str) -> None:
    with pytest.raises(InputError):
        seconds_at(gig, clock)


def test_a_take_that_was_not_kept_has_no_times_of_day(tmp_path: Path) -> None:
    with pytest.raises(InputError, match="is no folder that `thumbline live --keep` made"):
        seconds_at(tmp_path, "12:31")
