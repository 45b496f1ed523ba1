"""What is installed: every module of both packages is in the wheel, and the examples in docstrings are true."""

import ast
import configparser
import doctest
import importlib.util
import inspect
import os
import pkgutil
import re
import shutil
import subprocess
import sys
import zipfile
from collections.abc import Iterator
from importlib.metadata import packages_distributions, version
from pathlib import Path

import numpy as np
import pytest
import soundfile

import thumbline.cli
import thumbline.dsp

ROOT = Path(__file__).parent.parent
SOURCES = {"thumbline/dsp": ROOT / "dsp", "thumbline/cli": ROOT / "cli"}


def modules() -> Iterator[str]:
    for package in (thumbline.dsp, thumbline.cli):
        yield package.__name__
        for found in pkgutil.walk_packages(package.__path__, package.__name__ + "."):
            if not found.name.endswith("__main__"):  # to import it is to run it
                yield found.name


def build_is_at_hand() -> bool:
    if importlib.util.find_spec("build") is None:
        return False
    return int(version("setuptools").split(".")[0]) >= 77


@pytest.fixture(scope="module")
def packages(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A folder with a source package made of a copy of the sources, and a wheel made of that, without a network."""
    if not build_is_at_hand():
        pytest.skip("needs build and setuptools 77 or newer (pip install build 'setuptools>=77')")
    place = tmp_path_factory.mktemp("packages")
    for name in ("pyproject.toml", "README.md"):
        shutil.copy(ROOT / name, place)
    for name in ("dsp", "cli"):
        shutil.copytree(ROOT / name, place / name, ignore=shutil.ignore_patterns("__pycache__"))
    build = [sys.executable, "-m", "build", "--no-isolation", "--outdir", "made", "."]  # a wheel of the source package
    subprocess.run(build, cwd=place, check=True, capture_output=True)
    return place / "made"


@pytest.fixture(scope="module")
def wheel(packages: Path) -> zipfile.ZipFile:
    (file,) = packages.glob("thumbline-*.whl")
    return zipfile.ZipFile(file)


def test_what_is_installed_works_outside_the_checkout(packages: Path, tmp_path: Path) -> None:
    (file,) = packages.glob("thumbline-*.whl")
    target = tmp_path / "installed"
    install = [sys.executable, "-m", "pip", "install", "--quiet", "--no-deps", "--no-index", "--target", str(target)]
    subprocess.run([*install, str(file)], check=True, capture_output=True)
    soundfile.write(tmp_path / "pier.wav", 1e-4 * np.random.default_rng(1).standard_normal((1200, 6)), 24_000)
    # Uncompiled: Numba would compile anew what lies in another place, and that is tried in
    # tests/robustness/test_storage.py.
    elsewhere = os.environ | {"PYTHONPATH": str(target), "NUMBA_DISABLE_JIT": "1"}

    def run(*command: str) -> str:
        done = subprocess.run(command, cwd=tmp_path, env=elsewhere, capture_output=True, text=True, check=False)
        assert done.returncode == 0, done.stderr
        return done.stdout

    where = run(sys.executable, "-c", "import thumbline.cli.main, thumbline.dsp.results.render as m; print(m.__file__)")
    assert Path(where.strip()).is_relative_to(target)
    assert run(sys.executable, "-m", "thumbline.cli", "--version") == f"thumbline {version('thumbline')}\n"
    assert run(sys.executable, str(target / "bin" / "thumbline"), "rig", "explain")
    run(sys.executable, "-m", "thumbline.cli", "render", "pier.wav", "--out", "out")
    assert (tmp_path / "out" / "pier" / "bass.wav").is_file()


def test_every_module_is_in_the_wheel_and_nothing_else(wheel: zipfile.ZipFile) -> None:
    expected = {
        f"{package}/{file.relative_to(folder).as_posix()}"
        for package, folder in SOURCES.items()
        for file in folder.rglob("*")
        if file.suffix == ".py" or file.name == "py.typed" or file.parent.name == "web"
    }
    assert len(expected) > 30
    assert {name for name in wheel.namelist() if ".dist-info/" not in name} == expected


def test_the_wheel_installs_the_command_and_names_what_it_needs(wheel: zipfile.ZipFile) -> None:
    (entry_points,) = (name for name in wheel.namelist() if name.endswith("entry_points.txt"))
    scripts = configparser.ConfigParser()
    scripts.read_string(wheel.read(entry_points).decode())
    assert dict(scripts["console_scripts"]) == {"thumbline": "thumbline.cli.start:main"}
    (metadata,) = (name for name in wheel.namelist() if name.endswith("METADATA"))
    text = wheel.read(metadata).decode()
    assert re.search(r"^Name: thumbline$", text, re.MULTILINE)
    extra = r"""; extra == ["'](?:notebook|pandas)["']"""
    needed = re.findall(rf"^Requires-Dist: ([\w.-]+)(?:(?!extra ==|\n).)*(?:{extra})?$", text, re.MULTILINE)
    assert imported_libraries() <= {canonical(name) for name in needed}


def canonical(distribution: str) -> str:
    return re.sub(r"[-_.]+", "-", distribution).lower()


def imported_libraries() -> set[str]:
    """Distributions that the sources import, apart from Python itself and pydantic's core, which comes with it."""
    modules: set[str] = set()
    for folder in SOURCES.values():
        for file in folder.rglob("*.py"):
            for node in ast.walk(ast.parse(file.read_text("utf-8"))):
                if isinstance(node, ast.Import):
                    modules |= {alias.name.split(".")[0] for alias in node.names}
                elif isinstance(node, ast.ImportFrom) and node.module:
                    modules.add(node.module.split(".")[0])
    outside = modules - set(sys.stdlib_module_names) - {"thumbline", "pydantic_core"}
    homes = packages_distributions()
    # A module that is one binary file is listed nowhere; it has its distribution's name.
    return {canonical(homes.get(module, [module])[0]) for module in outside}


@pytest.mark.parametrize("name", list(modules()))
def test_examples_in_docstrings_are_true(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(ROOT)  # some read the demo take
    assert doctest.testmod(importlib.import_module(name)).failed == 0


def test_every_public_name_has_an_example_or_is_what_an_example_returns() -> None:
    finder = doctest.DocTestFinder(exclude_empty=True)
    examples = 0
    for name in modules():
        module = importlib.import_module(name)
        examples += sum(bool(test.examples) for test in finder.find(module, name))
    assert examples >= 15
    functions = [getattr(thumbline.dsp, name) for name in thumbline.dsp.__all__]
    for function in filter(inspect.isfunction, functions):
        assert ">>> " in (function.__doc__ or ""), function.__name__


def test_the_processor_imports_nothing_of_the_command_line() -> None:
    for file in SOURCES["thumbline/dsp"].rglob("*.py"):
        assert "thumbline.cli" not in file.read_text("utf-8"), file.name
