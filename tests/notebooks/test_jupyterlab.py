"""The tuning notebook in JupyterLab itself, in a browser without a screen: open, run, move a slider, save the rig."""

import json
import os
import shutil
import subprocess
import sys
import time
from collections.abc import Iterator
from importlib.metadata import distribution
from pathlib import Path
from typing import Any

import pytest

from tests.helpers.places import ROOT
from tests.helpers.system_parts import need

TOKEN = "thumbline"
#: Starting the server and the kernel, and running every cell, each on a busy machine.
PATIENCE_S = 150.0


@pytest.fixture
def workplace(tmp_path: Path) -> Path:
    """A copy of what the notebook needs, so that nothing of the project is written to."""
    shutil.copytree(ROOT / "notebooks", tmp_path / "notebooks", ignore=shutil.ignore_patterns(".ipynb_checkpoints"))
    (tmp_path / "data").mkdir()
    for name in ("demo.flac", "demo.toml", "demo.json"):
        shutil.copy(ROOT / "data" / name, tmp_path / "data")
    return tmp_path


@pytest.fixture
def server(workplace: Path) -> Iterator[str]:
    """JupyterLab in the workplace, with settings of its own; its address."""
    settings = workplace / ".settings" / "@jupyterlab" / "notebook-extension"
    settings.mkdir(parents=True)
    # All cells stay in the page, so that they can be found without scrolling.
    (settings / "tracker.jupyterlab-settings").write_text('{"windowingMode": "none"}', "utf-8")
    places = {
        "JUPYTER_CONFIG_DIR": workplace / ".config",
        "JUPYTER_RUNTIME_DIR": workplace / ".runtime",
        "JUPYTERLAB_SETTINGS_DIR": workplace / ".settings",
        "JUPYTERLAB_WORKSPACES_DIR": workplace / ".workspaces",
        "IPYTHONDIR": workplace / ".ipython",
        "JUPYTER_PATH": _widgets_front_end(),
    }
    options = ["--no-browser", "--ip=127.0.0.1", "--port=0", f"--IdentityProvider.token={TOKEN}"]
    if hasattr(os, "geteuid") and os.geteuid() == 0:
        options.append("--allow-root")
    with (workplace / "server.log").open("w", encoding="utf-8") as log:
        process = subprocess.Popen(
            [sys.executable, "-m", "jupyterlab", *options],
            cwd=workplace,
            env=os.environ | {name: str(place) for name, place in places.items()},
            stdout=log,
            stderr=log,
        )
        try:
            yield _address(workplace, process)
        finally:
            process.terminate()
            try:
                process.wait(30)
            except subprocess.TimeoutExpired:
                process.kill()
                process.wait()


def _widgets_front_end() -> Path:
    """The folder of front ends in which that of the widgets is, which need not be this environment's own."""
    files = distribution("jupyterlab_widgets").files or ()
    page = next(
        Path(str(file.locate())) for file in files if file.name == "package.json" and "labextensions" in str(file)
    )
    return next(folder.parent for folder in page.resolve().parents if folder.name == "labextensions")


def _address(workplace: Path, process: "subprocess.Popen[bytes]") -> str:
    until = time.monotonic() + PATIENCE_S
    while time.monotonic() < until and process.poll() is None:
        for file in (workplace / ".runtime").glob("jpserver-*.json"):
            try:
                return str(json.loads(file.read_text("utf-8"))["url"])
            except ValueError:
                pass  # still being written
        time.sleep(0.2)
    raise AssertionError((workplace / "server.log").read_text("utf-8")[-2000:])


def test_a_slider_moves_the_picture_and_the_rig_is_saved_with_its_comments(workplace: Path, server: str) -> None:
    chromium = need("chromium")
    from playwright.sync_api import sync_playwright

    with sync_playwright() as playwright:
        browser = playwright.chromium.launch(executable_path=chromium, args=["--no-sandbox"])
        try:
            page = browser.new_page(viewport={"width": 1400, "height": 1000})
            page.set_default_timeout(1e3 * PATIENCE_S)
            page.goto(f"{server}lab/tree/notebooks/tune_thresholds.ipynb?token={TOKEN}")
            _use(page, workplace)
        finally:
            browser.close()


def _use(page: Any, workplace: Path) -> None:
    from playwright.sync_api import expect

    page.get_by_role("heading", name="Move the sliders").wait_for()
    page.get_by_role("button", name="Python 3 (ipykernel) | Idle").or_(
        page.locator("[data-status='idle']")
    ).first.wait_for()
    page.get_by_role("menuitem", name="Run", exact=True).click()
    page.get_by_role("menuitem", name="Run All Cells", exact=True).click()
    page.locator("audio").nth(2).wait_for()  # the last cell's output
    assert page.locator("[data-mime-type='application/vnd.jupyter.stderr']").count() == 0
    _everything_has_a_name(page)

    picture = page.locator(".jp-Cell:has(.widget-slider) .jp-OutputArea img").first
    before = picture.get_attribute("src")
    assert before
    handle = page.locator(".widget-slider", has_text="begin to sound (on), dB").locator(".noUi-handle")
    handle.focus()
    for _ in range(4):
        handle.press("PageUp")
    expect(picture).not_to_have_attribute("src", str(before), timeout=1e3 * PATIENCE_S)
    assert picture.evaluate("image => image.complete && image.naturalWidth") == 1200
    _drag(page, picture, handle)
    _is_beside(page, picture)

    page.get_by_role("button", name="save the rig").click()
    page.get_by_text("all else as it was").wait_for()
    saved = (workplace / "data" / "demo-tuned.toml").read_text("utf-8")
    original = (workplace / "data" / "demo.toml").read_text("utf-8")
    changed = [line.split(" = ")[0] for line in original.splitlines() if line not in saved.splitlines()]
    assert changed in (["on_db"], ["on_db", "off_db"])  # dragged to below it, "on" takes "off" along
    assert "# Changed by hand: tuned in the notebook on demo.flac" in saved


def _everything_has_a_name(page: Any) -> None:
    """Pictures, players and controls say what they are: axe-core, from outside, and pictures in more than a title."""
    from axe_playwright_python.sync_playwright import Axe

    page.locator(".noUi-handle[aria-label]").nth(6).wait_for()
    words = [image.get_attribute("alt") for image in page.locator(".jp-OutputArea img").all()]
    assert len(words) == 5
    assert all(text and len(text) > 60 for text in words), words
    assert all(player.get_attribute("aria-label") for player in page.locator("audio").all())
    found = Axe().run(page, context=".jp-Notebook .jp-OutputArea").response["violations"]
    assert not found, [(each["id"], [node["html"][:200] for node in each["nodes"]]) for each in found]


def _drag(page: Any, picture: Any, handle: Any) -> None:
    """However long a drag is, its end is answered as soon as a single step: what it passed on the way is skipped."""
    cell = page.locator(".jp-Cell:has(.widget-slider) .jp-OutputArea").first
    cell.evaluate(
        """area => {
          window.shown = [];
          new MutationObserver(() => window.shown.push(performance.now()))
            .observe(area, {subtree: true, childList: true, attributes: true, attributeFilter: ["src"]});
        }"""
    )

    def settled_s() -> float:
        """From now until the last picture: none may come for two seconds."""
        released = page.evaluate("performance.now()")
        last = released
        while page.evaluate("performance.now()") - max(last, released) < 2000.0:
            page.wait_for_timeout(100)
            last = page.evaluate("window.shown.at(-1) ?? 0")
        return 1e-3 * (last - released)

    handle.scroll_into_view_if_needed()
    handle.press("PageDown")
    single_s = settled_s()
    box = handle.bounding_box()
    x, y = box["x"] + box["width"] / 2, box["y"] + box["height"] / 2
    page.mouse.move(x, y)
    page.mouse.down()
    for step in range(60):
        page.mouse.move(x - step, y)
        page.wait_for_timeout(25)
    page.mouse.up()
    dragged_s = settled_s()
    print(f"answered after {single_s:.2f} s for one step, {dragged_s:.2f} s after a drag of 1.5 s")
    # One answer may be on its way already; a drag past the end of the slider has its last one before it is over.
    assert -1.5 < dragged_s < 0.5 + 2.0 * max(single_s, 0.0)


def _is_beside(page: Any, picture: Any) -> None:
    """The controls stand left of the picture, so that both and the reasons are in view."""
    controls = page.locator(".thumbline-controls").first.bounding_box()
    image = picture.bounding_box()
    assert controls["x"] + controls["width"] <= image["x"] + 1.0
    assert abs(controls["y"] - image["y"]) < 60.0
