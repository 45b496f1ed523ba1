/*
 * The practice page: controls, keys, and what is shown while it plays.
 */

const SHARPS = ["C", "C♯", "D", "D♯", "E", "F", "F♯", "G", "G♯", "A", "A♯", "B"];
/** Seconds between pictures of the ribbon for those who ask for less motion. */
const CALM_S = 0.5;
/** How far a nudge moves the beats, in seconds. */
const NUDGE_S = 0.01;

const index = JSON.parse(document.getElementById("index").textContent);
const element = (id) => document.getElementById(id);
/** What the tape said last, and when. */
let last = { position: 0, playing: false, speed: 1, passes: 0, counting: false, levels: {} };
let lastAt = performance.now();

function noteName(midi) {
  const whole = Math.round(midi);
  return SHARPS[((whole % 12) + 12) % 12] + (Math.floor(whole / 12) - 1);
}

function labelled(notes, shift) {
  return notes.map((note) => ({ ...note, label: noteName(note.midi + shift) }));
}

const player = new Player(index, (report) => {
  last = report;
  lastAt = performance.now();
  showState();
});
const meter = new Meter(index, () => {
  const accents = meter.beats.map(([time, , beat]) => ({ at: time, first: beat === 1 }));
  ribbon.beats = accents;
  picture.given.beats = accents.map((each) => each.at);
  tell({ beats: accents.map((each) => ({ at: Math.round(each.at * player.rate), accent: each.first })) });
  showSpeed(element("speed").value);
});
const ribbon = new Ribbon(
  labelled(index.bass_notes, index.instrument.bass_interval + index.transpose),
  labelled(index.guitar_notes, index.transpose),
  meter.beats.map(([time, , beat]) => ({ at: time, first: beat === 1 })),
  index.instrument.strings.length,
);
const picture = new Picture(index.pictures.overview, index.seconds, {
  beats: meter.beats.map(([time]) => time),
  onSeek: (time) => seek(time),
  onLoop: () => {
    element("loop-on").checked = true;
    element("phrases").value = "";
    tellLoop();
  },
});
const tell = (message) => player.tell(message);
const mixer = new Mixer((gains) => tell({ gains }));

/** Seconds of the take that are heard now. */
function now() {
  const since = last.playing && !last.counting ? (performance.now() - lastAt) / 1000 : 0;
  return Math.min(last.position / player.rate + Math.min(since, 0.1) * last.speed, index.seconds);
}

function seek(time) {
  tell({ seek: Math.round(Math.min(Math.max(time, 0), index.seconds) * player.rate) });
  if (!last.playing) {
    last = { ...last, position: time * player.rate };
    lastAt = performance.now();
  }
}

function togglePlay() {
  if (element("play").disabled) return;
  if (last.playing) tell({ play: false });
  else player.play();
}

function toBar(step) {
  const starts = meter.beats.filter(([, , beat]) => beat === 1).map(([time]) => time);
  const time = now();
  const found = step > 0 ? starts.find((start) => start > time + 0.05) : starts.findLast((start) => start < time - 0.3);
  seek(found ?? (step > 0 ? index.seconds : 0));
}

function setSpeed(percent) {
  const slider = element("speed");
  slider.value = percent;
  tell({ speed: slider.value / 100 });
  showSpeed(slider.value);
}

function showSpeed(percent) {
  const bpm = meter.bpm === null ? null : ((meter.bpm * percent) / 100).toFixed(0);
  element("speed-now").textContent = `${percent} %`;
  element("speed").setAttribute("aria-valuetext", bpm === null ? `${percent} percent` : `${percent} percent, ${bpm} beats a minute`);
  for (const button of element("speeds").children) {
    button.setAttribute("aria-pressed", String(button.dataset.percent === String(percent)));
  }
  const tempo = bpm === null ? "no tempo: tap the beat" : `${bpm} beats a minute${meter.words}`;
  element("facts").textContent = `${tempo}, ${index.tempo.beats_per_bar} a bar, ${index.seconds.toFixed(0)} s`;
}

/** Let the browser keep a text as a file. */
function save(name, text) {
  const link = document.createElement("a");
  link.href = URL.createObjectURL(new Blob([text], { type: "text/plain" }));
  link.download = name;
  link.click();
  setTimeout(() => URL.revokeObjectURL(link.href), 1000);
}

function tellLoop() {
  const on = element("loop-on").checked;
  picture.setOn(on);
  tell({ loop: on ? picture.loop.map((time) => Math.round(time * player.rate)) : null });
}

function setEdge(which) {
  const loop = [...picture.loop];
  loop[which] = picture.snap(now());
  if (loop[1] <= loop[0]) loop[1 - which] = which === 0 ? index.seconds : 0;
  picture.setLoop(loop);
  element("loop-on").checked = true;
  tellLoop();
}

function tellNumbers() {
  tell({ countIn: Number(element("count-in").value) || 0, ladder: (Number(element("ladder").value) || 0) / 100 });
}

function showState() {
  const button = element("play");
  button.textContent = last.playing ? "Stop" : "Play";
  button.classList.toggle("playing", last.playing);
  mixer.showLevels(last.playing ? last.levels : {});
  const percent = Math.round(100 * last.speed);
  if (Number(element("speed").value) !== percent && document.activeElement !== element("speed")) {
    element("speed").value = percent;
    showSpeed(percent);
  }
}

function showPlace(time) {
  picture.showPosition(time);
  let found = meter.beats.findLastIndex(([at]) => at <= time + 0.001);
  found = Math.max(found, 0);
  if (meter.beats.length === 0) return;
  const [, bar, beat] = meter.beats[found];
  element("bar").textContent = last.counting ? "count-in" : bar < 1 ? "before bar 1" : `bar ${bar}`;
  element("beat").textContent = Array.from({ length: index.tempo.beats_per_bar }, (_, i) => (i + 1 === beat ? "●" : "○")).join("");
}

const calm = matchMedia("(prefers-reduced-motion: reduce)");
function drawFrame() {
  const time = now();
  showPlace(time);
  ribbon.draw(calm.matches ? Math.floor(time / CALM_S) * CALM_S : time);
  requestAnimationFrame(drawFrame);
}

/** Key, as shown, what it does. */
const KEYS = [
  [" ", "Space", "play, stop", togglePlay],
  ["ArrowLeft", "Left", "a bar back", () => toBar(-1)],
  ["ArrowRight", "Right", "a bar on", () => toBar(1)],
  ["Home", "Home", "to the start", () => seek(0)],
  ["[", "[", "loop starts here", () => setEdge(0)],
  ["]", "]", "loop ends here", () => setEdge(1)],
  ["l", "L", "loop on, off", () => element("loop-on").click()],
  ["-", "-", "5 % slower", () => setSpeed(Number(element("speed").value) - 5)],
  ["+", "+", "5 % faster", () => setSpeed(Number(element("speed").value) + 5)],
  ["b", "B", "bass only, or all", () => mixer.only("bass")],
  ["g", "G", "guitar only, or all", () => mixer.only("guitar")],
  ["c", "C", "click on, off", () => mixer.toggleClick()],
  ["t", "T", "tap the beat", () => meter.tap(now())],
  ["1", "1", "this is one", () => meter.one(now())],
];

function listen() {
  element("play").addEventListener("click", togglePlay);
  element("back").addEventListener("click", () => toBar(-1));
  element("forward").addEventListener("click", () => toBar(1));
  element("begin").addEventListener("click", () => seek(0));
  element("speed").addEventListener("input", () => setSpeed(element("speed").value));
  element("loop-on").addEventListener("change", tellLoop);
  element("snap").addEventListener("change", () => (picture.snaps = element("snap").checked));
  element("start-here").addEventListener("click", () => setEdge(0));
  element("end-here").addEventListener("click", () => setEdge(1));
  for (const [id, does] of [
    ["tap", () => meter.tap(now())],
    ["one", () => meter.one(now())],
    ["half", () => meter.half(now())],
    ["double", () => meter.double()],
    ["earlier", () => meter.nudge(-NUDGE_S)],
    ["later", () => meter.nudge(NUDGE_S)],
    ["as-found", () => meter.reset()],
  ]) {
    element(id).addEventListener("click", does);
  }
  element("save-beats").addEventListener("click", () => save("taps.txt", meter.text()));
  element("count-in").addEventListener("input", tellNumbers);
  element("ladder").addEventListener("input", tellNumbers);
  element("phrases").addEventListener("change", () => {
    const loop = index.loops[element("phrases").value];
    if (!loop) return;
    picture.setLoop([loop.start_s, loop.end_s]);
    element("loop-on").checked = true;
    tellLoop();
    seek(loop.start_s);
  });
  document.addEventListener("keydown", (event) => {
    if (event.ctrlKey || event.altKey || event.metaKey) return;
    const target = event.target;
    const typing = target.matches("input[type=number], select") || (target.matches("input[type=range]") && event.key.startsWith("Arrow"));
    if (typing || (event.key === " " && target.matches("button, input[type=checkbox], summary"))) return;
    const found = KEYS.find(([key]) => key === event.key || key === event.key.toLowerCase());
    if (!found) return;
    event.preventDefault();
    found[3]();
  });
}

function build() {
  element("picture").src = document.getElementById("picture-data").textContent.trim();
  for (const percent of index.speeds) {
    const button = document.createElement("button");
    button.type = "button";
    button.dataset.percent = percent;
    button.textContent = `${percent} %`;
    button.addEventListener("click", () => setSpeed(percent));
    element("speeds").append(button);
  }
  index.loops.forEach((loop, i) => {
    const option = document.createElement("option");
    option.value = i;
    option.textContent = loop.name;
    element("phrases").append(option);
  });
  for (const [, shown, does] of KEYS) {
    element("keys").insertAdjacentHTML("beforeend", `<dt>${shown}</dt><dd>${does}</dd>`);
  }
}

build();
listen();
showSpeed(100);
picture.setOn(false);
requestAnimationFrame(drawFrame);
player
  .load()
  .then(() => {
    mixer.update();
    tellLoop();
    tellNumbers();
    tell({ speed: element("speed").value / 100 });
    element("play").disabled = false;
    showState();
  })
  .catch((error) => {
    element("trouble").hidden = false;
    element("trouble").textContent = `This browser cannot play the sound of this page (${error.message}). The tracks beside it play anywhere.`;
    element("play").textContent = "No sound";
  });
/** For scripts: what a test or a curious player may look at. */
window.practice = { player, picture, mixer, meter, now, state: () => last };
