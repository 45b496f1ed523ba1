"""What is said in one line, on a terminal and in a notebook."""

from pathlib import Path

from thumbline.dsp.errors import InputError, printable


def test_control_characters_and_bytes_that_are_no_text_are_escaped() -> None:
    assert printable("a\tb\x1b[31m") == "a\\tb\\x1b[31m"
    assert printable(Path("caf\udce9.wav")) == "caf\\udce9.wav"
    assert printable("Tarnhölm ♭5") == "Tarnhölm ♭5"
    assert str(InputError("one\ntwo")) == "one\\ntwo"


def test_a_notebook_shows_the_line_in_place_of_a_traceback() -> None:
    from IPython.core.interactiveshell import InteractiveShell

    shown = InteractiveShell.instance().run_cell(
        "from thumbline.dsp.errors import InputError\nraise InputError('rate is 7; accepted: 22050 or more')"
    )
    assert isinstance(shown.error_in_exec, InputError)
    assert shown.error_in_exec._render_traceback_() == ["rate is 7; accepted: 22050 or more"]
