"""The practice page in a browser: it plays, loops, changes speed and keeps the pitch; and everything has a name.

What is heard is measured: the tape, which runs in the audio thread, is also asked for its sound frame by frame.
"""

import base64
from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest

from tests.helpers.system_parts import need
from tests.material.practice_folder import (
    BASS_HZ,
    BEATS_S,
    GUITAR_HZ,
    PAGE,
    RATE,
    SECONDS,
    make_folder,
    plucks,
    write_page_of,
)
from thumbline.dsp.practice.page_sound import AFTER_S, BEFORE_S

#: Longest time in which anything on the page must happen on a busy machine, ms.
PATIENCE_MS = 20_000


@pytest.fixture(scope="module")
def browser() -> Iterator[Any]:
    program = need("chromium")
    playwright = pytest.importorskip("playwright.sync_api", reason="needs playwright")
    with playwright.sync_playwright() as run:
        options = ["--no-sandbox", "--autoplay-policy=no-user-gesture-required"]
        chromium = run.chromium.launch(executable_path=program, args=options)
        yield chromium
        chromium.close()


@pytest.fixture(scope="module")
def address(tmp_path_factory: pytest.TempPathFactory) -> str:
    folder = tmp_path_factory.mktemp("practice")
    write_page_of(folder, make_folder(folder))
    return (folder / PAGE).as_uri()


@pytest.fixture
def page(browser: Any, address: str) -> Iterator[Any]:
    """The page, opened from a disk and loaded; nothing may complain, and nothing may be asked of a network."""
    page = browser.new_page()
    page.set_default_timeout(PATIENCE_MS)
    said: list[str] = []
    page.on("console", lambda message: said.append(message.text))
    page.on("pageerror", lambda error: said.append(str(error)))
    page.on("request", lambda request: said.append(request.url) if request.url.startswith("http") else None)
    page.goto(address)
    page.wait_for_function("!document.getElementById('play').disabled")
    yield page
    page.close()
    assert said == []


def state(page: Any) -> dict[str, Any]:
    return page.evaluate("practice.state()")


def until(page: Any, condition: str) -> None:
    page.wait_for_function(f"(() => {{ const s = practice.state(); return {condition}; }})()")


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


# --- sound, frame by frame ---

#: Plays stems on a tape; sound goes in and out as base64 of 32-bit floats.
PLAY = """({ sound, onsets, beats, set, frames, rate }) => {
  const bytes = Uint8Array.from(atob(sound), (letter) => letter.charCodeAt(0));
  const all = new Float32Array(bytes.buffer), length = 50_000;
  const whole = new Blocks(all.length, 1, length);
  for (let at = 0; at < all.length; at += length) whole.put(at / length, [all.slice(at, at + length)]);
  const tape = new Tape(rate, [{ name: "bass", sound: whole, onsets }], beats);
  command(tape, { gains: { bass: 1, click: 0 }, ...set, play: true });
  for (const stem of tape.stems) stem.gain = stem.target;
  const left = new Float32Array(frames), right = new Float32Array(frames);
  for (let at = 0; at < frames; at += 128) {
    const to = Math.min(at + 128, frames);
    tape.render(left.subarray(at, to), right.subarray(at, to), to - at);
  }
  let text = "";
  const out = new Uint8Array(left.buffer);
  for (let at = 0; at < out.length; at += 8192) text += String.fromCharCode(...out.subarray(at, at + 8192));
  return btoa(text);
}"""


def sound_of(page: Any, sound: np.ndarray, onsets_s: list[float], seconds: float, **given: Any) -> np.ndarray:
    ask = {
        "sound": base64.b64encode(sound.astype("<f4").tobytes()).decode(),
        "onsets": [round(time_s * RATE) for time_s in onsets_s],
        "beats": [],
        "set": {},
        "frames": round(seconds * RATE),
        "rate": RATE,
    }
    return np.frombuffer(base64.b64decode(page.evaluate(PLAY, {**ask, **given})), "<f4").astype(float)


def attack_s(sound: np.ndarray, near_s: float) -> tuple[float, float]:
    """When the power over a millisecond first reaches a tenth of its maximum, and how long from there to a half."""
    first = round((near_s - 0.03) * RATE)
    part = sound[first : first + round(0.08 * RATE)]
    power = np.convolve(part**2, np.ones(RATE // 1000))[: len(part)]
    begin = int(np.argmax(power > 0.1 * power.max()))
    return (first + begin) / RATE, int(np.argmax(power > 0.5 * power.max()) - begin) / RATE


@pytest.mark.parametrize("speed", [0.5, 0.75, 0.9, 1.2])
def test_at_any_speed_pitch_beginnings_and_attacks_are_kept(page: Any, speed: float) -> None:
    sound = plucks(BASS_HZ, BEATS_S)
    played = sound_of(page, sound, BEATS_S, SECONDS / speed, set={"speed": speed})
    for onset_s in BEATS_S:
        due_s = onset_s / speed
        begin_s, rise_s = attack_s(played, due_s)
        true_s, true_rise_s = attack_s(sound, onset_s)
        assert abs(begin_s - due_s - (true_s - onset_s)) < 0.002
        assert abs(rise_s - true_rise_s) < 0.002
        part = played[round((due_s + 0.05) * RATE) : round((due_s + 0.05 + 0.2 / speed) * RATE)]
        spectrum = np.abs(np.fft.rfft(part * np.hanning(len(part)), 1 << 20))
        third = np.arange(len(spectrum)) * RATE / (1 << 20) / 3
        near = (third > 0.94 * BASS_HZ) & (third < 1.06 * BASS_HZ)
        hz = third[near][np.argmax(spectrum[near])]
        assert abs(1200 * np.log2(hz / BASS_HZ)) < 3.0


def test_at_the_take_s_speed_the_sound_is_the_take(page: Any) -> None:
    sound = plucks(BASS_HZ, BEATS_S).astype(np.float32)
    played = sound_of(page, sound, BEATS_S, SECONDS)
    np.testing.assert_array_equal(played, sound)


def test_a_loop_is_exact_and_seamless(page: Any) -> None:
    """The loop is no whole number of periods: the join is a fade, and its second difference is no greater than it is
    elsewhere, where a cut reads fifty times as much."""
    hz = 110.7
    sound = 0.3 * np.sin(2 * np.pi * hz * np.arange(round(SECONDS * RATE)) / RATE)
    loop = [RATE, RATE + 50_001]
    played = sound_of(page, sound, [], 6.0, set={"loop": loop, "seek": loop[0]})
    bend = np.abs(np.diff(played[RATE // 10 :], 2))
    cut = np.concatenate([sound[loop[0] : loop[1]]] * 3)
    assert bend.max() < 2.0 * np.median(np.abs(np.diff(sound, 2))) * np.pi / 2
    assert np.abs(np.diff(cut, 2)).max() > 20 * bend.max()
    for turn in range(1, 4):
        begin = turn * (loop[1] - loop[0]) + RATE // 100
        np.testing.assert_allclose(played[begin : begin + 4000], sound[loop[0] + RATE // 100 :][:4000], atol=1e-6)


@pytest.mark.parametrize("speed", [1.0, 0.6])
def test_the_click_is_on_the_beat_and_the_count_in_leads_to_it_to_the_frame(page: Any, speed: float) -> None:
    beats = [{"at": round(time_s * RATE), "accent": i % 4 == 0} for i, time_s in enumerate(BEATS_S)]
    ask = {"speed": speed, "countIn": 4, "seek": beats[4]["at"], "gains": {"bass": 0, "click": 1}}
    played = sound_of(page, np.zeros(round(SECONDS * RATE)), [], 5.0 / speed, beats=beats, set=ask)
    pace = round(0.5 * RATE / speed)
    for knock in range(8):
        first = knock * pace
        assert np.all(np.abs(played[max(first - 500, 0) : max(first - 1, 0)]) < 1e-3)
        assert np.abs(played[first : first + 48]).max() > 0.1


#: Decodes what the page holds, as it does itself: part, block, how many frames more than libsndfile wrote.
DECODE = """async ({ lengths }) => {
  const differences = [];
  for (const [part, wanted] of Object.entries(lengths)) {
    const element = document.querySelector(`script[data-stem="${part}"]`);
    const sound = await practice.player.context.decodeAudioData(bytesOf(element));
    differences.push(sound.length - wanted);
  }
  return differences;
}"""


def test_a_block_is_as_long_in_the_browser_as_it_was_made(page: Any) -> None:
    frames = round((SECONDS + BEFORE_S + AFTER_S) * RATE)
    assert max(map(abs, page.evaluate(DECODE, {"lengths": {"bass": frames, "guitar": frames}}))) <= 2


#: Two parts on a tape, with faders as given, through the guard; returns the left channel.
LOUD = """({ sounds, db, rate }) => {
  const bytes = (text) => new Float32Array(Uint8Array.from(atob(text), (letter) => letter.charCodeAt(0)).buffer);
  const parts = Object.entries(sounds).map(([name, text]) => ({ name, all: bytes(text) }));
  const frames = parts[0].all.length;
  const tape = makeTape(rate, { frames, length: frames, beats: [],
                                stems: parts.map(({ name }) => ({ name, channels: 1, onsets: [] })) });
  command(tape, { block: 0, sounds: Object.fromEntries(parts.map(({ name, all }) => [name, [all]])) });
  const gain = 10 ** (db / 20);
  const peak = (all) => all.reduce((most, each) => Math.max(most, Math.abs(each)), 0);
  const given = { index: { sound: { stems: parts.map(({ name, all }) => ({ part: name, peak: peak(all) })) } },
                  tell: (message) => command(tape, message) };
  Player.prototype.gains.call(given, { bass: gain, guitar: gain, click: 0 });
  for (const stem of tape.stems) stem.gain = stem.target;
  command(tape, { play: true });
  const guard = new Guard(rate);
  const left = new Float32Array(frames), right = new Float32Array(frames);
  for (let at = 0; at < frames; at += 128) {
    const [a, b] = [left.subarray(at, at + 128), right.subarray(at, at + 128)];
    tape.render(a, b, a.length);
    guard.process(a, b, a.length);
  }
  let text = "";
  const out = new Uint8Array(left.buffer);
  for (let at = 0; at < out.length; at += 8192) text += String.fromCharCode(...out.subarray(at, at + 8192));
  return btoa(text);
}"""


def through_faders(page: Any, db: float, **sounds: np.ndarray) -> np.ndarray:
    encoded = {part: base64.b64encode(sound.astype("<f4").tobytes()).decode() for part, sound in sounds.items()}
    return np.frombuffer(base64.b64decode(page.evaluate(LOUD, {"sounds": encoded, "db": db, "rate": RATE})), "<f4")


def test_no_fader_passes_the_ceiling_and_no_part_ducks_under_another(page: Any) -> None:
    """A steady bass under loud plucks: its level, read at its own frequency, stays where it is. Level by the root of
    the mean square of both, which the guard must leave where the finished tracks have it."""
    bass = 0.3 * np.sin(2 * np.pi * 60.0 * np.arange(round(SECONDS * RATE)) / RATE)
    guitar = 2.0 * plucks(GUITAR_HZ, BEATS_S)
    usual = through_faders(page, 0.0, bass=bass, guitar=guitar)
    late = round(0.005 * RATE) - 1  # what the guard looks ahead
    raw = (bass + guitar)[:-late]
    assert 20 * np.log10(np.std(usual[late:]) / np.std(raw)) == pytest.approx(0.0, abs=0.3)
    for db in (0.0, 12.0):
        heard = through_faders(page, db, bass=bass, guitar=guitar)
        assert np.abs(heard).max() <= 10 ** (-1 / 20) + 1e-6
        wave = np.exp(-2j * np.pi * 60.0 * np.arange(len(heard)) / RATE)
        tenths = np.abs((heard * wave)[RATE:].reshape(-1, RATE // 10).mean(axis=1))[:-1]
        assert 20 * np.log10(tenths.max() / tenths.min()) < 1.0


def test_sound_that_comes_late_is_waited_for_and_loses_nothing(page: Any) -> None:
    """Blocks that are brought only when they are asked for give the sound of the whole, and silence until they come."""
    played = page.evaluate(
        """(rate) => {
          const frames = 4 * rate, all = new Float32Array(frames).map((_, i) => Math.sin(i / 50));
          const stem = { name: "bass", channels: 1, onsets: [] };
          const tape = makeTape(rate, { frames, length: rate, stems: [stem], beats: [] });
          const part = (which) => all.slice(which * rate, (which + 1) * rate);
          const bring = (which) => command(tape, { block: which, sounds: { bass: [part(which)] } });
          bring(0);
          command(tape, { gains: { bass: 1, click: 0 }, play: true });
          const left = new Float32Array(tape.hop), right = new Float32Array(tape.hop), heard = [];
          let waits = 0;
          for (let i = 0; tape.playing && i < 400; i++) {
            tape.render(left, right, tape.hop);
            if (tape.waiting) { waits++; bring(Math.floor(tape.position / rate) + 1); } else heard.push(...left);
          }
          const off = heard.filter((each, i) => i < frames - rate / 10 && Math.abs(each - all[i]) > 1e-6).length;
          return { waits, off, length: heard.length / rate };
        }""",
        RATE,
    )
    assert played["waits"] >= 3
    assert played["off"] < 4 * 0.001 * RATE + 10  # it opens within a millisecond after each wait
    assert played["length"] == pytest.approx(4.0, abs=0.02)
