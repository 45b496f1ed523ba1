/*
 * The practice page: what belongs to what, and what is shown while it plays.
 */

/** Seconds between pictures of the lanes for those who ask for less motion. */
const CALM_S = 0.5;
/** How far a nudge moves the beats, in seconds. */
const NUDGE_S = 0.01;
/** How far a key, or a button, moves the speed, in percent. */
const STEP = 5;

const index = JSON.parse(document.getElementById("index").textContent);
const element = (id) => document.getElementById(id);
const memory = new Memory(index);
const awake = new AwakeScreen();
/** What the tape said last, and when. */
let last = { position: 0, playing: false, speed: 1, passes: 0, counting: false, levels: {} };
let lastAt = performance.now();

function showTrouble(error) {
  element("trouble").hidden = false;
  element("trouble").textContent = `This browser cannot play the sound of this page (${error.message}). The tracks beside it play anywhere.`;
  element("play").textContent = "No sound";
  element("play").disabled = true;
}

const player = new Player(
  index,
  (report) => {
    last = report;
    lastAt = performance.now();
    showState();
  },
  showTrouble,
);
const tell = (message) => player.tell(message);
const letters = index.instrument.strings.map((name) => name.replace(/-?\d+$/, ""));
const lanes = new Lanes(
  index.bass_notes.map((note) => ({ ...note, label: note.heard.replace("#", "♯") })),
  index.guitar_notes,
  letters,
);
const picture = new Picture(index.pictures.overview, index.seconds, {
  beats: [],
  onSeek: (time) => seek(time),
  onLoop: () => loops.moved(),
});
const meter = new Meter(index, () => {
  showBeats();
  memory.set("beats", meter.own);
});
const loops = new Loops(index, picture, memory, {
  onLoop: (loop) => player.loop(loop && loop.map((time) => Math.round(time * player.rate))),
  onSeek: (time) => seek(time),
  now: () => now(),
});
const mixer = new Mixer((gains) => player.gains(gains), memory);

/** Seconds of the take that are heard now. */
function now() {
  const since = last.playing && !last.counting && !last.waiting ? (performance.now() - lastAt) / 1000 : 0;
  return Math.min(last.position / player.rate + Math.min(since, 0.1) * last.speed, index.seconds);
}

function seek(time) {
  time = Math.min(Math.max(time, 0), index.seconds);
  player.seek(Math.round(time * player.rate));
  last = { ...last, position: time * player.rate };
  lastAt = performance.now();
  if (!last.playing) element("said").textContent = placeInWords(time);
}

function togglePlay() {
  if (element("play").disabled) return;
  if (last.playing) player.ask({ play: false });
  else player.play();
}

function toBar(step) {
  const starts = meter.beats.filter(([, , beat]) => beat === 1).map(([time]) => time);
  const time = now();
  const found = step > 0 ? starts.find((start) => start > time + 0.05) : starts.findLast((start) => start < time - 0.3);
  seek(found ?? (step > 0 ? index.seconds : 0));
}

/** Speeds that one press sets, in percent, whatever tracks were made: the page makes its own. */
const SPEEDS = [100, 75, 60];

function setSpeed(percent) {
  const slider = element("speed");
  slider.value = percent;
  player.ask({ speed: slider.value / 100 });
  memory.set("speed", Number(slider.value));
  showSpeed(slider.value);
}

function showSpeed(percent) {
  const bpm = meter.bpm === null ? null : ((meter.bpm * percent) / 100).toFixed(0);
  element("speed-now").textContent = `${percent} %`;
  element("speed").setAttribute("aria-valuetext", bpm === null ? `${percent} percent` : `${percent} percent, ${bpm} beats per minute`);
  for (const button of element("speeds").children) {
    button.setAttribute("aria-pressed", String(button.dataset.percent === String(percent)));
  }
  const tempo = bpm === null ? "no tempo: tap the beat" : `${bpm} beats per minute${meter.words}`;
  element("facts").textContent = `${tempo}, ${index.tempo.beats_per_bar} per bar, ${index.seconds.toFixed(0)} s`;
}

/** Bring the beats to all that shows or sounds them. */
function showBeats() {
  lanes.setBeats(meter.beats, meter.bar_s);
  picture.given.beats = meter.beats.map(([time]) => time);
  tell({ beats: meter.beats.map(([time, , beat]) => ({ at: Math.round(time * player.rate), accent: beat === 1 })) });
  showSpeed(element("speed").value);
}

/** Let the browser keep a text as a file. */
function save(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function tellNumbers() {
  const number = (id) => Number(element(id).value) || 0;
  memory.set("count-in", number("count-in"));
  memory.set("ladder", number("ladder"));
  tell({ countIn: number("count-in"), ladder: number("ladder") / 100 });
}

function showState() {
  const button = element("play");
  const words = last.playing ? "Stop" : "Play";
  if (button.textContent !== words) {
    button.textContent = words;
    button.classList.toggle("playing", last.playing);
    awake.keepOn(last.playing);
    if (!last.playing) element("said").textContent = placeInWords(now());
  }
  mixer.showLevels(last.playing ? last.levels : {});
  const percent = Math.round(100 * last.speed);
  // A loop that gets faster moves the slider.
  if (last.playing && Number(element("speed").value) !== percent && document.activeElement !== element("speed")) {
    element("speed").value = percent;
    showSpeed(percent);
  }
}

/** Bar and beat of a time, or null if no beat is known. */
function placeOf(time) {
  if (meter.beats.length === 0) return null;
  const [, bar, beat] = meter.beats[Math.max(meter.beats.findLastIndex(([at]) => at <= time + 0.001), 0)];
  return { bar, beat };
}

function placeInWords(time) {
  const place = placeOf(time);
  if (place === null) return `${time.toFixed(1)} seconds`;
  return place.bar < 1 ? "before bar 1" : `bar ${place.bar}, beat ${place.beat}`;
}

function showPlace(time) {
  picture.showPosition(time);
  const place = placeOf(time);
  if (place === null) return;
  const words = last.counting ? "count-in" : place.bar < 1 ? "before bar 1" : `bar ${place.bar}`;
  if (element("bar").textContent !== words) {
    element("bar").textContent = words;
    if (last.playing && element("say-bars").checked) element("said").textContent = placeInWords(time);
  }
  const marks = Array.from({ length: index.tempo.beats_per_bar }, (_, i) => (i + 1 === place.beat ? "●" : "○")).join("");
  if (element("beat").textContent !== marks) element("beat").textContent = marks;
}

const calm = matchMedia("(prefers-reduced-motion: reduce)");
function drawFrame() {
  const time = now();
  showPlace(time);
  lanes.draw(calm.matches ? Math.floor(time / CALM_S) * CALM_S : time);
  requestAnimationFrame(drawFrame);
}

const changeSpeed = (by) => setSpeed(Number(element("speed").value) + by);
/** Key, as shown, what it does. */
const KEYS = [
  [" ", "Space", "play, stop", togglePlay],
  ["PageDown", "Page down, right pedal", "play, stop", togglePlay],
  ["PageUp", "Page up, left pedal", "a bar back", () => toBar(-1)],
  ["ArrowLeft", "Left", "a bar back", () => toBar(-1)],
  ["ArrowRight", "Right", "a bar on", () => toBar(1)],
  ["Home", "Home", "to the start", () => seek(0)],
  ["[", "[", "loop starts here", () => loops.setEdge(0)],
  ["]", "]", "loop ends here", () => loops.setEdge(1)],
  ["l", "L", "loop on, off", () => element("loop-on").click()],
  ["-", "-", "5 % slower", () => changeSpeed(-STEP)],
  ["+", "+", "5 % faster", () => changeSpeed(STEP)],
  ["b", "B", "bass only, or all", () => mixer.only("bass")],
  ["g", "G", "guitar only, or all", () => mixer.only("guitar")],
  ["c", "C", "click on, off", () => mixer.toggleClick()],
  ["t", "T", "tap the beat", () => meter.tap(now())],
  ["1", "1", "this is one", () => meter.one(now())],
];

function listen() {
  for (const [id, does] of [
    ["play", togglePlay],
    ["back", () => toBar(-1)],
    ["forward", () => toBar(1)],
    ["begin", () => seek(0)],
    ["slower", () => changeSpeed(-STEP)],
    ["faster", () => changeSpeed(STEP)],
    ["start-here", () => loops.setEdge(0)],
    ["end-here", () => loops.setEdge(1)],
    ["tap", () => meter.tap(now())],
    ["one", () => meter.one(now())],
    ["half", () => meter.half(now())],
    ["double", () => meter.double()],
    ["earlier", () => meter.nudge(-NUDGE_S)],
    ["later", () => meter.nudge(NUDGE_S)],
    ["as-found", () => meter.reset()],
    ["save-beats", () => save("taps.txt", meter.text())],
  ]) {
    element(id).addEventListener("click", does);
  }
  element("speed").addEventListener("input", () => setSpeed(element("speed").value));
  element("count-in").addEventListener("input", tellNumbers);
  element("ladder").addEventListener("input", tellNumbers);
  for (const [id, does] of [
    ["snap", (on) => (picture.snaps = on)],
    ["say-bars", () => {}],
  ]) {
    element(id).checked = memory.get(id, true);
    does(element(id).checked);
    element(id).addEventListener("change", () => {
      memory.set(id, element(id).checked);
      does(element(id).checked);
    });
  }
}

function build() {
  element("picture").src = document.getElementById("picture-data").textContent.trim();
  for (const percent of SPEEDS) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.percent = percent;
    button.textContent = `${percent} %`;
    button.addEventListener("click", () => setSpeed(percent));
    element("speeds").append(button);
  }
  element("count-in").value = memory.get("count-in", 0);
  element("ladder").value = memory.get("ladder", 0);
}

build();
listen();
new Keys(KEYS, memory);
meter.own = memory.get("beats", {});
showBeats();
setSpeed(memory.get("speed", 100));
loops.tell();
requestAnimationFrame(drawFrame);
player
  .load()
  .then(() => {
    mixer.update();
    loops.tell();
    tellNumbers();
    showBeats();
    setSpeed(element("speed").value);
    element("play").disabled = false;
    showState();
  })
  .catch(showTrouble);
/** For scripts: what a test or a curious player may look at. */
window.practice = { player, picture, mixer, meter, loops, memory, now, state: () => last };
