// The page as a whole: what the link brings is drawn, what is touched is asked for.
const STALE_MS = 1000; // without a view for so long the page does not show the present
const REFUSALS = {
  code: "This is not the code that the terminal shows now.",
  "too many": "Too many tries: wait half a minute.",
  locked: "Too many wrong codes: no further screen is let in before live is started again.",
  ticket: "",
  nothing: "",
};
const NOT_DONE = { "too late": "NOT DONE: the link was held up, touch again", "too many": "NOT DONE: too many touches", unknown: "NOT DONE" };

const stage = { view: null, at: 0, ended: false, drawn: false, not: "", notUntil: 0 };

stage.lost = () => (stage.ended ? "ENDED" : performance.now() - stage.at > STALE_MS ? "NO LINK" : "");

stage.draw = () => {
  stage.drawn = true;
  if (!stage.view) return;
  const view = stage.view, lost = stage.lost();
  mark(document.body, "lost", lost);
  tuner(view.tuner);
  draw.head(view, lost);
  draw.strings(view);
  if (!view.tuner) draw.bass(view);
  draw.words(performance.now() < stage.notUntil ? { ...view, news: stage.not, alarm: true } : view, awake.words);
  draw.hands(view);
};

stage.show = (which) => {
  get("door").hidden = which !== "door";
  get("stage").hidden = which !== "stage";
  mark(get("title"), "unseen", which === "stage");
};

const link = new Link({
  onIn() {
    stage.ended = false;
    awake.ask();
  },
  onView(view) {
    stage.view = view;
    stage.at = performance.now();
    if (get("stage").hidden) stage.show("stage");
    if (!stage.drawn) return;
    stage.drawn = false;
    requestAnimationFrame(stage.draw);
  },
  onRefused(why) {
    stage.view = null;
    stage.show("door");
    say(get("door-says"), REFUSALS[why] ?? "Refused.");
    get("code").focus();
  },
  onNot(what, why) {
    stage.not = `${NOT_DONE[why] ?? NOT_DONE.unknown} (${what})`;
    stage.notUntil = performance.now() + 3000;
  },
  onEnded() {
    stage.ended = true;
    stage.draw();
  },
});
stage.drawn = true;

get("door").addEventListener("submit", (event) => {
  event.preventDefault();
  say(get("door-says"), "");
  link.open(get("code").value);
  get("code").value = "";
});

// Nothing is asked for that would come late: what is seen is not the present, and the hand may have changed its mind.
const ask = (what, to) => {
  if (!stage.view) return;
  if (stage.lost()) link.onNot(what, "too late");
  else link.ask(what, to);
};

const SWITCHES = { sound: ["sound", "sound"], split: ["split", "split"], hold: ["hold", "hold"], unmute: ["unmute all", "unmuted"] };
for (const [id, [what, field]] of Object.entries(SWITCHES)) {
  get(id).addEventListener("click", () => ask(what, stage.view?.[field] ? 0 : 1));
}
get("tune").addEventListener("click", () => ask("tuner", stage.view?.tuner ? 0 : 1));
const go = (step) => {
  const count = stage.view?.songs.length ?? 0;
  if (count > 1) ask("song", ((stage.view.number - 1 + step + count) % count) + 1);
};
get("previous").addEventListener("click", () => go(-1));
get("next").addEventListener("click", () => go(1));
get("list").addEventListener("click", () => {
  get("song-list").replaceChildren(...stage.view.songs.map((name, i) => {
    const button = document.createElement("button");
    button.type = "button";
    button.textContent = `${i + 1}  ${name}`;
    mark(button, "now", i + 1 === stage.view.number);
    button.addEventListener("click", () => {
      ask("song", i + 1);
      get("songs").close();
    });
    return button;
  }));
  get("songs").showModal();
});
get("shut").addEventListener("click", () => get("songs").close());

addEventListener("resize", stage.draw);
setInterval(() => stage.view && stage.lost() && stage.draw(), 250);
document.addEventListener("visibilitychange", () => {
  if (document.visibilityState === "visible" && link.socket?.readyState > WebSocket.OPEN && !get("stage").hidden) link.open();
});

// The terminal's address may hold the code behind a "#", which no browser sends to anybody.
const code = /^#(\d{6,12})$/.exec(location.hash)?.[1] ?? "";
if (code) history.replaceState(null, "", location.pathname);
if (code || store.read()) link.open(code);
else stage.show("door");
