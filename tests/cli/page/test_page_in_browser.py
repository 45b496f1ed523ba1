"""The stage page in Chromium: large enough, in any light, by touch, with two screens of which one stalls."""

import io
import math
import os
import signal
import time
from typing import Any

import numpy as np
import pytest
from PIL import Image

from tests.helpers.browser import PATIENCE_MS
from tests.helpers.live_process import wait_until
from tests.helpers.page_room import PageRoom, note_hz

#: A phone of 6 inches is 62.5 mm wide where it is 20:9, and its browser takes that for 360 px at least (common
#: practice, no source; wider counts make smaller pixels and leave more of them).
MM_PER_PX = 6.0 * 25.4 * 9.0 / math.hypot(20.0, 9.0) / 360.0
DISTANCE_MM = 3000.0
#: ISO 9241-3 (1992) and -303, guideline 1.3.1-4 of NUREG-0700, Rev. 2: capitals are 16 minutes of arc high at
#: least, 20 to 22 are preferred.
LEGIBLE_ARCMIN = 20.0
#: As small as this is usable, given enough contrast (the handbook that quotes ISO 9241-3 for screens of computers).
USABLE_ARCMIN = 10.0
#: Widths and heights in px: with a browser's own bars and without, upright and lying.
PHONES = [(360, 640), (360, 780), (740, 290), (780, 360)]


def arcmin(height_px: float) -> float:
    """Minutes of arc, by the formula of NUREG-0700: height = 6.283 D MA / 21600."""
    return height_px * MM_PER_PX * 21600.0 / (6.283 * DISTANCE_MM)


def ink(page: Any, selector: str) -> int:
    """How many rows of px an element's letters really cover, nothing else being visible around them."""
    sheet = "document.styleSheets[0]"
    for rule in ("#stage * { visibility: hidden }", f"{selector}, {selector} * {{ visibility: visible !important }}"):
        page.evaluate(f"(rule) => {sheet}.insertRule(rule, {sheet}.cssRules.length)", rule)
    picture = np.asarray(Image.open(io.BytesIO(page.screenshot())).convert("L"), np.int64)
    for _ in range(2):
        page.evaluate(f"{sheet}.deleteRule({sheet}.cssRules.length - 1)")
    if selector == "#unusual":  # letters on a ground of their own
        rows, columns = np.nonzero(picture > 128)
        picture = 255 - picture[rows.min() : rows.max() + 1, columns.min() : columns.max() + 1]
    covered = np.flatnonzero((picture > picture[-1, 0] + 100).any(axis=1))
    lines = np.split(covered, np.flatnonzero(np.diff(covered) > 1) + 1)
    return min(map(len, lines))


def until(page: Any, condition: str) -> None:
    """Wait until an expression holds; asked again and again, since the page lets nobody run what is text."""
    wait_until(lambda: page.evaluate(condition) or page.wait_for_timeout(20), condition, 0.001 * PATIENCE_MS)


@pytest.mark.parametrize(("width", "height"), PHONES)
def test_the_note_of_the_bass_can_be_read_from_three_metres(room: PageRoom, page: Any, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    room.play(4, note_hz(56.0))  # G#3: the widest note
    until(page, "get('note').textContent === 'G♯3'")
    for mark in ("#letter", "#sign", "#octave"):
        assert arcmin(ink(page, mark)) >= LEGIBLE_ARCMIN, mark
    room.live.request.hold = 1
    until(page, "document.querySelector('#stage.odd')")
    for mark in ("#letter", "#sign", "#octave"):
        assert arcmin(ink(page, mark)) >= LEGIBLE_ARCMIN, f"{mark}, with a word above it"
    room.silence()
    until(page, "get('letter').textContent === ''")


@pytest.mark.parametrize(("width", "height"), PHONES)
def test_what_is_not_as_usual_stands_large(room: PageRoom, page: Any, width: int, height: int) -> None:
    page.set_viewport_size({"width": width, "height": height})
    for field, value, words in (("sound_on", 0, "SOUND OFF"), ("split", 0, "SPLIT OFF"), ("hold", 1, "HOLD")):
        before = int(room.live.request[field])
        room.live.request[field] = value
        until(page, f"get('unusual').innerText.replace(/\\s+/g, ' ') === '{words}'")
        assert arcmin(ink(page, "#unusual")) >= USABLE_ARCMIN, words
        room.live.request[field] = before
    until(page, "get('unusual').textContent === ''")
    until(page, "get('song').textContent === 'Slack Water'")


def test_a_fault_is_named_with_what_helps(room: PageRoom, page: Any) -> None:
    console = room.live.console
    console.news, console.headline, console.alarm = b"The sound stopped: it is being started again", b"NO SOUND", 1
    until(page, "get('unusual').innerText.includes('NO') && get('unusual').innerText.includes('SOUND')")
    assert page.inner_text("#news") == "The sound stopped: it is being started again"
    console.news, console.headline, console.alarm = b"", b"", 0
    until(page, "get('unusual').textContent === '' && get('news').textContent === ''")


@pytest.mark.parametrize(
    ("width", "height"), [(320, 568), (360, 640), (568, 320), (780, 360), (800, 1280), (1280, 800)]
)
def test_it_fits_every_screen_and_breaks_no_rule_of_access(room: PageRoom, page: Any, width: int, height: int) -> None:
    """Rules of access as in axe-core (Deque, MPL-2.0), which tries those of WCAG that a program can try."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page.set_viewport_size({"width": width, "height": height})
    room.play(6, note_hz(41.0))
    until(page, "get('letter').textContent === 'F'")
    fits = "[document.documentElement.scrollWidth, document.documentElement.scrollHeight]"
    assert page.evaluate(fits) == [width, height]
    assert axe.Axe().run(page).response["violations"] == []
    for button in page.locator("#hands button").all():
        box = button.bounding_box()
        assert box is not None
        assert box["width"] >= 44
        assert box["height"] >= 44  # WCAG 2.2, 2.5.5
        assert box["y"] + box["height"] <= height
    room.live.request.hold, room.live.request.split = 1, 0
    until(page, "document.querySelector('#stage.odd')")
    assert axe.Axe().run(page).response["violations"] == []
    room.live.request.hold, room.live.request.split, room.live.request.tuner = 0, 1, 1
    until(page, "!get('tuner').hidden")
    assert axe.Axe().run(page).response["violations"] == []
    room.live.request.tuner = 0
    page.click("#list")
    assert axe.Axe().run(page).response["violations"] == []
    page.click("#shut")
    room.silence()


def test_the_door_breaks_no_rule_of_access_and_says_what_is_wrong(room: PageRoom, browser: Any) -> None:
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    context = browser.new_context(viewport={"width": 360, "height": 640})
    page = context.new_page()
    page.goto(room.url)
    assert axe.Axe().run(page).response["violations"] == []
    wrong = f"{(int(room.code()) + 1) % 10**8:08d}"
    page.get_by_label("Code, as the computer's terminal shows it").fill(wrong)
    page.get_by_role("button", name="Let this screen in").click()
    until(page, "get('door-says').textContent.includes('not the code')")
    page.get_by_label("Code, as the computer's terminal shows it").fill(room.code())
    page.keyboard.press("Enter")
    page.wait_for_selector("#strings .row")
    assert page.locator("#strings .row").count() == 6
    context.close()


def test_what_is_touched_is_asked_for_as_it_was_shown(room: PageRoom, page: Any) -> None:
    for name, asked in (("Sound", "sound"), ("Split", "split"), ("Hold", "hold"), ("Unmute all", "unmute all")):
        button = page.locator("#hands button", has_text=name)
        on = button.get_attribute("aria-pressed") == "true"
        button.click()
        wait_until(lambda: room.asked, name)
        assert room.asked.pop() == (asked, int(not on))
    page.get_by_role("button", name="Tuner").click()
    page.get_by_role("button", name="Next song").click()
    page.get_by_role("button", name="Previous song").click()
    page.get_by_role("button", name="Songs", exact=True).click()
    page.get_by_role("button", name="2 Lantern Walk").click()
    wait_until(lambda: len(room.asked) == 4, "songs")
    assert room.asked == [("tuner", 1), ("song", 2), ("song", 3), ("song", 2)]


def test_the_rows_say_what_the_terminal_says(room: PageRoom, page: Any) -> None:
    room.live.keeper.closed[:6] = [1, 1, 1, 1, 1, 0]
    room.live.request.setting = room.live.engine.setting = 1
    room.play(6, note_hz(43.0))
    until(page, "get('strings').innerText.endsWith('unmuted') && get('song').textContent === 'Lantern Walk'")
    rows = [row.replace("\n", " ") for row in page.locator("#strings .row").all_inner_texts()]
    assert rows == ["1 E4 muted", "2 B3 muted", "3 G3 muted", "4 D3 muted", "5 A2 muted", "6 E2 G2 unmuted"]
    assert page.locator("#strings .bass").count() == 1
    assert page.inner_text("#facts").startswith("bass +0 dB, two octaves down, 3 kHz")
    assert "2/3" in page.inner_text("#where")
    room.live.keeper.closed[:6] = 0
    room.silence()


def test_a_name_of_a_song_is_a_name_whatever_it_holds(page: Any) -> None:
    """Names come from the player's own file; they are text all the same."""
    page.evaluate("draw.head({ ...stage.view, song: '<img src=x onerror=boom()>', unusual: ['<b>'] }, '')")
    assert page.locator("#head img, #head b").count() == 0


def test_two_screens_of_which_one_stalls(room: PageRoom, page: Any) -> None:
    """A phone that sleeps, or is too far away: it reads nothing, and the others go on as fast as before."""
    stalled = room.screen()
    stalled.view()
    watched = "new Promise((done) => { const times = [], pass = link.onView; link.onView = (view) => { pass(view);"
    watched += "times.push(performance.now()); if (times.length === 45) { link.onView = pass; done(times); } }; })"
    times = page.evaluate(watched)
    assert np.median(np.diff(times)) == pytest.approx(1000.0 / 15.0, abs=15.0)
    room.live.request.hold = 1
    until(page, "get('hold').innerText.includes('HELD')")
    first = stalled.view()  # what it gets when it goes on is not what was long past
    assert not first["hold"]
    assert stalled.until(lambda view: view["hold"], 1.0)
    stalled.close()


def test_a_page_that_stands_still_says_so_and_goes_on_when_it_can(room: PageRoom, page: Any) -> None:
    os.kill(room.pid, signal.SIGSTOP)
    until(page, "get('unusual').innerText.includes('LINK')")
    page.get_by_role("button", name="Sound").click()
    page.evaluate("link.ask('hold', 1)")  # on its way already when the link was lost
    until(page, "get('news').textContent === 'NOT DONE: the link was held up, touch again (sound)'")
    page.wait_for_timeout(1500)
    os.kill(room.pid, signal.SIGCONT)
    until(page, "get('unusual').textContent === ''")
    assert room.asked == []


def test_a_page_whose_process_is_killed_comes_back_without_a_code(room: PageRoom, page: Any) -> None:
    first = room.pid
    page.evaluate("window.before = link.socket; 0")
    os.kill(first, signal.SIGKILL)
    back = ["The stage page stopped", "The stage page is back"]
    wait_until(lambda: [notice.text for notice in room.told][-2:] == back, "the page's process")
    page.evaluate("link.seen = 0")
    until(page, "link.socket !== before && link.seen > 0 && get('unusual').textContent === ''")
    assert room.pid != first
    assert page.evaluate("location.hash") == ""


def test_it_keeps_the_screen_on_or_says_that_it_cannot(room: PageRoom, page: Any) -> None:
    page.evaluate(
        """navigator.wakeLock.request = (kind) => {
          window.lock = { kind, released: false };
          return Promise.resolve(window.lock);
        }; awake.lock = null"""
    )
    page.evaluate("awake.ask()")
    assert page.evaluate("[lock.kind, awake.words]") == ["screen", ""]
    page.evaluate("lock.released = true; navigator.wakeLock.request = () => Promise.reject(new Error()); 0")
    page.evaluate("document.dispatchEvent(new Event('visibilitychange'))")
    until(page, "get('facts').textContent.includes('set its time-out to never')")


def test_the_end_of_the_run_is_said(tmp_path_factory: pytest.TempPathFactory, browser: Any) -> None:
    from tests.helpers.page_room import a_page

    context = browser.new_context()
    page = context.new_page()
    with a_page(tmp_path_factory.mktemp("ends")) as room:
        page.goto(f"{room.url}#{room.code()}")
        page.wait_for_selector("#strings .row")
    until(page, "get('unusual').textContent === 'ENDED'")
    time.sleep(1.0)
    assert page.inner_text("#unusual") == "ENDED"
    context.close()
