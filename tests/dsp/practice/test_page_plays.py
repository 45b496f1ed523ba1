"""The practice page in a browser: it plays, loops and changes speed; and everything has a name."""

from typing import Any

import pytest

from tests.helpers.practice_page import state, until
from tests.material.practice_folder import (
    BEATS_S,
    RATE,
    SECONDS,
)

# --- playing ---


def test_it_plays_and_stops_by_button_and_by_key(page: Any) -> None:
    page.get_by_role("button", name="Play", exact=True).click()
    until(page, f"s.playing && s.position > {0.7 * RATE} * practice.player.rate / {RATE} && s.levels.bass > 0.05")
    page.get_by_role("button", name="Stop", exact=True).click()
    until(page, "!s.playing")
    at = state(page)["position"]
    page.wait_for_timeout(200)
    assert state(page)["position"] == at
    page.locator("h1").click()
    page.keyboard.press(" ")
    until(page, f"s.playing && s.position > {at}")


#: The tape reports every so many frames of the audio clock, which no busy machine bends.
HOW_FAR_IT_GETS = """new Promise((done) => {
  const { player } = practice, seen = [], pass = player.onReport;
  player.onReport = (report) => {
    pass(report);
    seen.push(report.position);
    if (seen.length < 60) return;
    player.onReport = pass;
    done((seen.at(-1) - seen[10]) / (seen.length - 11));
  };
})"""


def test_it_plays_at_the_speed_that_is_asked_for(page: Any) -> None:
    page.locator("#play").click()
    until(page, "s.playing && s.position > 0")
    full = page.evaluate(HOW_FAR_IT_GETS)
    page.get_by_label("Speed, % of the take's").fill("50")
    assert page.locator("#speed-now").text_content() == "50 %"
    assert page.evaluate(HOW_FAR_IT_GETS) / full == pytest.approx(0.5, abs=0.02)


def test_one_part_only(page: Any) -> None:
    page.get_by_role("button", name="Bass only").click()
    page.locator("#play").click()
    until(page, "s.position > 1.6 * practice.player.rate && s.levels.bass > 0.02 && s.levels.guitar < 0.001")
    page.get_by_role("button", name="Bass only").click()
    page.get_by_role("button", name="Mute bass").click()
    until(page, "s.levels.guitar > 0.02 && s.levels.bass < 0.02")


def test_a_phrase_is_looped_and_gets_faster(page: Any) -> None:
    page.get_by_label("Speed, % of the take's").fill("60")
    page.get_by_label("Speed up each time, %").fill("20")
    page.get_by_label("Phrase").select_option(label="bar 2")
    page.get_by_role("slider", name="Loop start").press("ArrowRight")  # a beat later
    page.get_by_role("slider", name="Loop end").press("ArrowLeft")
    assert page.evaluate("practice.picture.loop") == [3.0, 4.0]
    page.locator("#play").click()
    until(page, "s.passes >= 1 && s.speed >= 0.8")
    position = state(page)["position"] / page.evaluate("practice.player.rate")
    assert 3.0 <= position <= 4.01


def test_a_drag_over_the_picture_marks_a_loop_and_a_click_goes_there(page: Any) -> None:
    page.get_by_label("Snap to beats").uncheck()
    page.locator("#picture").evaluate("each => each.scrollIntoView({ block: 'center' })")
    box = page.locator("#picture").bounding_box()
    x = lambda time_s: box["x"] + box["width"] * (40 + 340 * time_s / SECONDS) / 400  # noqa: E731
    y = box["y"] + box["height"] / 2
    page.mouse.move(x(2.0), y)
    page.mouse.down()
    page.mouse.move(x(3.0), y, steps=4)
    page.mouse.up()
    assert page.evaluate("practice.picture.loop") == pytest.approx([2.0, 3.0], abs=0.03)
    assert page.get_by_label("Loop between start and end").is_checked()
    page.mouse.click(x(4.0), y)
    page.wait_for_function("Math.abs(practice.now() - 4) < 0.03")


def test_the_notes_pass_by(page: Any) -> None:
    picture = "document.getElementById('lanes').toDataURL()"
    before = page.evaluate(picture)
    page.locator("#play").click()
    until(page, "s.position > 0.5 * practice.player.rate")
    assert page.evaluate(picture) != before
    assert page.locator("#bar").text_content() == "bar 1"


def test_everything_that_can_be_used_has_a_name(page: Any) -> None:
    nameless = page.evaluate(
        """[...document.querySelectorAll("button, input, select, [role=slider], canvas, img, meter")].filter((each) =>
             !(each.getAttribute("aria-label") || each.alt || each.textContent.trim() ||
               (each.labels && each.labels.length))).map((each) => each.outerHTML)"""
    )
    assert nameless == []
    assert page.locator("html").get_attribute("lang") == "en"
    for name in ("Bass", "Guitar", "Click"):
        assert page.get_by_role("slider", name=name, exact=True).count() == 1


#: Each control with a name beside it: whether name and control overlap in height, and how far apart they are, px.
FIELDS = """[...document.querySelectorAll(".field, .tick")].map((field) => {
  const name = (field.querySelector("label") ?? field).getBoundingClientRect();
  const control = field.querySelector("input, select").getBoundingClientRect();
  return { level: Math.min(name.bottom, control.bottom) - Math.max(name.top, control.top),
           inside: control.right <= innerWidth && control.left >= 0 && control.width > 0 };
})"""


@pytest.mark.parametrize(("width", "scheme"), [(320, "dark"), (360, "light"), (768, "dark"), (1280, "light")])
def test_it_fits_every_screen_and_breaks_no_rule_of_access(page: Any, width: int, scheme: str) -> None:
    """Rules of access as in axe-core (Deque, MPL-2.0), which tries those of WCAG that a program can try."""
    axe = pytest.importorskip("axe_playwright_python.sync_playwright", reason="needs axe-playwright-python")
    page.emulate_media(color_scheme=scheme)
    page.set_viewport_size({"width": width, "height": 700})
    assert page.evaluate("document.documentElement.scrollWidth") <= width
    fields = page.evaluate(FIELDS)
    assert len(fields) >= 6
    assert all(field["level"] > 0 and field["inside"] for field in fields)
    page.locator("summary").click()
    assert axe.Axe().run(page).response["violations"] == []
    page.evaluate("scrollTo(0, document.body.scrollHeight)")
    for name in ("Play", "Bar back", "5 % slower"):  # the bar stays
        box = page.get_by_role("button", name=name, exact=True).bounding_box()
        assert box is not None
        assert 0 <= box["y"] <= 700 - box["height"]
        assert box["height"] >= 44  # WCAG 2.2, 2.5.5
    ground = page.evaluate("getComputedStyle(document.body).backgroundColor")
    assert (ground == "rgb(255, 255, 255)") == (scheme == "light")


def test_what_was_set_is_there_when_the_page_is_opened_again(page: Any) -> None:
    page.get_by_role("button", name="5 % slower").click()
    page.get_by_label("Guitar", exact=True).fill("-7")
    page.get_by_label("Snap to beats").uncheck()
    page.evaluate("practice.picture.setLoop([1.25, 2.75])")
    page.get_by_label("Name", exact=True).fill("the <hard> bar")
    page.get_by_role("button", name="Keep this loop").click()
    page.get_by_role("button", name="Later").click()
    page.reload()
    page.wait_for_function("!document.getElementById('play').disabled")
    assert page.locator("#speed-now").text_content() == "95 %"
    assert page.get_by_label("Guitar", exact=True).input_value() == "-7"
    assert not page.get_by_label("Snap to beats").is_checked()
    assert page.get_by_label("Loop between start and end").is_checked()
    assert page.evaluate("practice.meter.beats[0][0]") == pytest.approx(BEATS_S[0] + 0.01)
    page.evaluate("practice.picture.setLoop([0, 6])")
    page.get_by_label("Phrase").select_option(label="the <hard> bar")
    assert page.evaluate("practice.picture.loop") == [1.25, 2.75]
    page.get_by_role("button", name="Forget it").click()
    assert page.get_by_label("Phrase").locator("option").all_text_contents() == ["choose", "bar 2"]


def test_pedals_play_and_go_back_and_single_characters_can_be_switched_off(page: Any) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("PageDown")
    until(page, "s.playing && s.position > 0")
    page.keyboard.press("PageDown")
    until(page, "!s.playing")
    for key in ("Home", "ArrowRight", "ArrowRight", "PageUp"):
        page.keyboard.press(key)
    assert page.evaluate("practice.now()") == pytest.approx(0.5, abs=0.01)
    assert page.locator("#said").text_content() == "bar 1, beat 1"
    page.keyboard.press("b")
    only = page.get_by_role("button", name="Bass only")
    assert only.get_attribute("aria-pressed") == "true"
    page.locator("summary").click()
    page.get_by_label("Keys of one character work").uncheck()
    page.keyboard.press("b")
    assert only.get_attribute("aria-pressed") == "true"


#: The page is busy while the audio thread reports, then it is asked for something; where it says it is at each report.
AFTER_A_BUSY_MOMENT = """(ask) => new Promise((done) => {
  const { player } = practice, seen = [], pass = player.onReport;
  for (const until = performance.now() + 150; performance.now() < until; );
  player.onReport = (report) => {
    pass(report);
    seen.push([practice.now(), Number(document.getElementById("speed").value)]);
    if (seen.length < 12) return;
    player.onReport = pass;
    done(seen);
  };
  for (const key of ask) document.body.dispatchEvent(new KeyboardEvent("keydown", { key, bubbles: true }));
})"""


def test_a_late_report_of_the_audio_thread_takes_back_neither_place_nor_speed(page: Any) -> None:
    page.evaluate("document.activeElement.blur()")
    page.keyboard.press("PageDown")
    until(page, "s.playing && s.position > 0")
    for _time_s, speed in page.evaluate(AFTER_A_BUSY_MOMENT, ["-", "-"]):
        assert speed == 90
    assert page.evaluate(AFTER_A_BUSY_MOMENT, ["Home", "ArrowRight", "ArrowRight"])[0][0] == pytest.approx(2.5, abs=0.2)
    page.keyboard.press("PageDown")
    until(page, "!s.playing")
    seen = page.evaluate(AFTER_A_BUSY_MOMENT, ["Home", "ArrowRight", "ArrowRight", "PageUp"])
    assert [time_s for time_s, _speed in seen] == pytest.approx([0.5] * len(seen), abs=0.001)


def test_a_live_region_says_bar_and_beat_and_the_screen_stays_on_while_it_plays(page: Any) -> None:
    page.evaluate(
        """navigator.wakeLock.request = (kind) => {
          window.lock = { kind, released: false, release: async () => { window.lock.released = true; } };
          return Promise.resolve(window.lock);
        }"""
    )
    page.locator("#play").click()
    page.wait_for_function("document.getElementById('said').textContent === 'bar 2, beat 1'")
    assert page.evaluate("[lock.kind, lock.released]") == ["screen", False]
    page.locator("#play").click()
    page.wait_for_function("lock.released")


def test_without_javascript_the_page_says_where_the_sound_is(browser: Any, address: str) -> None:
    page = browser.new_page(java_script_enabled=False)
    page.goto(address)
    assert "tracks in the same folder" in page.inner_text("body")
    page.close()
