"""Whatever stands on the command line: exit code 0 or 2 (1 when told to stop), one line that says why, no traceback.

Options, values and files are drawn at random for every command, as the command itself declares them. Devices, MIDI
ports and the stage are taken away, so that nothing sounds and nothing is waited for.
"""

import shutil
from collections.abc import Callable, Iterator
from contextlib import nullcontext
from itertools import chain
from pathlib import Path

import click
import numpy as np
import pytest
import soundfile
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

import thumbline.cli.commands.live as live
import thumbline.cli.devices.audio_devices as audio_devices
import thumbline.cli.devices.midi_ports as midi_ports
import thumbline.cli.readiness.walk as walk
from tests.material.short_take import RATE
from thumbline.cli.main import COMMANDS, thumbline
from thumbline.dsp.errors import InputError
from thumbline.dsp.processor.processor import warm_up
from thumbline.dsp.rig.file import rig_text
from thumbline.dsp.rig.model import Rig

Run = Callable[..., tuple[int, str, str]]

NUMBERS = ("0", "1", "-1", "2.5", "nan", "inf", "-inf", "1e999", "1e-320", "99999999999999999999", "0x10", "1_0", "٣")
TEXTS = (
    *("", " ", "-", "--", "-h", "é", "\N{HANGUL SYLLABLE GA}", 5000 * "a", "\n", "\udcff", "[red]", "{}", "%s"),
    *(
        "None",
        "all",
        "lowest string",
        "bars 1-2",
        "bars 2-1",
        "0-1",
        "phrases",
        "60-100/10",
        "1-1/0",
        "100,,50",
        "flac",
    ),
    *("flac", "bass", "hold", "detect", "detect.on_db", "E4 B3", "E4 B3 G3 D3 A2 E2 B1", "mutes.modules[0].channel"),
)
FILES = ("take.wav", "silence.wav", "rig.toml", "notes.csv", "result", "folder", "missing", "new.toml", "out", "/", ".")


def leaves(command: click.Command, path: tuple[str, ...]) -> Iterator[tuple[tuple[str, ...], click.Command]]:
    """Every command that does something, with the words that call it."""
    if isinstance(command, click.Group):
        context = click.Context(command)
        for name in command.list_commands(context):
            found = command.get_command(context, name)
            assert found is not None
            yield from leaves(found, (*path, name))
    else:
        yield path, command


LEAVES = dict(leaves(thumbline, ()))


def arguments_of(command: click.Command) -> st.SearchStrategy[list[str]]:
    """Options and arguments such as the command has, with any values, sometimes none, one too many, or twice."""
    value = st.one_of(st.sampled_from(FILES), st.sampled_from(NUMBERS), st.sampled_from(TEXTS))
    parts = [st.sampled_from(FILES).map(lambda file: [file])]
    for param in command.params:
        if isinstance(param, click.Option):
            name = max(param.opts, key=len)
            if param.is_flag:
                parts.append(st.just([name]))
            else:
                parts.append(st.lists(value, min_size=param.nargs, max_size=param.nargs).map(lambda v, n=name: [n, *v]))
    out = [["--out", "out"]] if any("--out" in param.opts for param in command.params) else [[]]
    drawn = st.lists(st.one_of(*parts, value.map(lambda each: [each])), max_size=5)
    return st.tuples(st.sampled_from([*out, *out, []]), drawn).map(lambda both: [*both[0], *chain(*both[1])])


@pytest.fixture(scope="module")
def files(tmp_path_factory: pytest.TempPathFactory, result: Path) -> Path:
    """A folder with something of each kind that a command reads."""
    warm_up()
    folder = tmp_path_factory.mktemp("files")
    rng = np.random.default_rng(1)
    soundfile.write(folder / "take.wav", 0.1 * rng.standard_normal((RATE // 4, 6)), RATE)
    soundfile.write(folder / "silence.wav", np.zeros((RATE // 4, 6)), RATE)
    (folder / "rig.toml").write_text(rig_text(Rig()))
    (folder / "notes.csv").write_text("onset_s,offset_s,string,midi\n0.15,0.35,6,40\n")
    (folder / "folder").mkdir()
    shutil.copytree(result, folder / "result")
    return folder


@pytest.fixture
def nothing_plugged_in(monkeypatch: pytest.MonkeyPatch, files: Path, tmp_path: Path) -> None:
    """No audio device, no MIDI, no stage; and a copy of the files to work in."""

    def missing(*_: object, **__: object) -> None:
        raise InputError(audio_devices.INSTALL)

    import thumbline.cli.devices.streams as streams

    monkeypatch.setattr(audio_devices, "sound_library", missing)
    monkeypatch.setattr(streams, "sound_library", missing)
    monkeypatch.setattr(midi_ports, "_opened", lambda *_, **__: nullcontext([]))
    monkeypatch.setattr(live, "_run", missing)
    monkeypatch.setattr(walk, "walk", missing)
    shutil.copytree(files, tmp_path / "work")
    monkeypatch.chdir(tmp_path / "work")


def examples(path: tuple[str, ...]) -> int:
    """Fewer where a command works through a take."""
    return 12 if path[0] in ("practice", "refine") else 25 if path[0] in ("render", "calibrate") else 60


@pytest.mark.usefixtures("nothing_plugged_in")
@pytest.mark.parametrize("path", LEAVES, ids=" ".join)
def test_any_command_line_ends_with_0_or_2_and_a_line_that_says_why(run: Run, path: tuple[str, ...]) -> None:
    @settings(
        max_examples=examples(path),
        deadline=None,
        suppress_health_check=[HealthCheck.function_scoped_fixture, HealthCheck.too_slow],
    )
    @given(arguments=arguments_of(LEAVES[path]))
    def holds(arguments: list[str]) -> None:
        code, _, err = run(*path, *arguments)
        assert code in (0, 2), err
        assert "Traceback" not in err
        assert "fault in the program" not in err
        if code == 2:
            assert "thumbline: " in err
            assert err.splitlines()[-1].isprintable()

    holds()


def test_every_command_is_tried() -> None:
    assert {path[0] for path in LEAVES} == set(COMMANDS)
    assert ("rig", "learn") in LEAVES
