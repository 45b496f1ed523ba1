// What is drawn of a view: what is unusual, the song, the note of the bass, the strings.
const get = (id) => document.getElementById(id);

// A text is set only where it differs: what is the same is neither laid out nor read out again.
const say = (element, text) => {
  if (element.textContent !== text) element.textContent = text;
};

const mark = (element, name, on) => element.classList.toggle(name, Boolean(on));

// Of the note (page.css): size of the marks and height of a line, as shares of the letter's font size; and how many times
// as wide as tall a place is that is long and low.
const MARK = 0.55;
const LINE = 0.74;
const LONG = 1.6;

const draw = {
  // How the note of the bass is shared out: the letter, and beside it sign and octave, half as tall.
  note(name) {
    const [, letter, sign, octave] = /^([A-G]?)([#b]*)(-?\d*)$/.exec(name) ?? ["", name, "", ""];
    return { letter, sign, octave };
  },

  head(view, lost) {
    const status = view.status && !view.unusual.includes(view.status) ? [view.status] : [];
    const [worst, ...others] = lost ? [lost] : [...view.unusual, ...status];
    mark(get("stage"), "odd", worst);
    mark(get("stage"), "trouble", lost || view.alarm);
    const minutes = `${Math.floor(view.elapsed / 60)}:${String(view.elapsed % 60).padStart(2, "0")}`;
    const parts = [
      worst ? view.song : "",
      view.songs.length > 1 ? `${view.number}/${view.songs.length}` : "",
      minutes,
      view.done === null ? "" : `${Math.round(100 * view.done)}%`,
      view.kept ? "REC" : "",
      view.next ? `next ${view.next}` : "",
    ];
    say(get("song"), view.song);
    say(get("where"), parts.filter(Boolean).join("  "));
    draw.spans(get("also"), others);
    if (worst) draw.worst(worst);
    else {
      draw.spans(get("unusual"), []);
      const { clientWidth, clientHeight } = get("song");
      fit.set(get("song"), fit.size([view.song || "E"], clientWidth * 0.98, clientHeight, 1.3));
    }
  },

  // In as many lines as make the letters largest.
  worst(words) {
    const { clientWidth, clientHeight } = get("head");
    const height = clientHeight - get("where").offsetHeight - get("also").offsetHeight;
    const ways = [[words], words.split(" ")];
    const sizes = ways.map((lines) => fit.size(lines, clientWidth * 0.94, height, 1.28));
    const best = sizes[1] > sizes[0] ? 1 : 0;
    draw.spans(get("unusual"), ways[best]);
    fit.set(get("unusual"), sizes[best]);
  },

  spans(box, words) {
    const texts = [...box.children].map((each) => each.textContent);
    if (texts.join("|") === words.join("|")) return;
    box.replaceChildren(...words.map((word) => {
      const span = document.createElement("span");
      span.textContent = word;
      return span;
    }));
  },

  bass(view) {
    const { letter, sign, octave } = draw.note(view.bass?.note ?? "");
    say(get("letter"), letter);
    say(get("sign"), sign.replaceAll("#", "♯").replaceAll("b", "♭"));
    say(get("octave"), octave);
    say(get("string"), view.bass ? `string ${view.bass.string}` : "");
    draw.fitNote(get("bass"));
  },

  // The marks stand above one another beside the letter, or all in one line where the place is long and low.
  fitNote({ clientWidth, clientHeight }) {
    const [letter, sharp, two] = ["G", "♯", "2"].map((text) => fit.measure(text).width);
    const inLine = clientWidth > LONG * clientHeight;
    const wide = 0.06 + letter + (inLine ? sharp + two : MARK * Math.max(sharp, two));
    const tall = inLine ? LINE : 2 * MARK * LINE + 0.04;
    mark(get("note"), "in-line", inLine);
    fit.set(get("note"), Math.min((0.98 * clientHeight) / tall, (0.96 * clientWidth) / wide));
  },

  strings(view) {
    const box = get("strings");
    while (box.children.length > view.strings.length) box.lastChild.remove();
    while (box.children.length < view.strings.length) {
      const row = document.createElement("div");
      row.className = "row";
      row.append(...["i", "span", "span", "span", "span"].map((tag) => document.createElement(tag)));
      row.children[3].className = "sounding";
      row.children[4].className = "state";
      box.append(row);
    }
    view.strings.forEach((string, i) => {
      const [level, number, open, note, state] = box.children[i].children;
      level.style.transform = `scaleX(${string.level})`;
      say(number, String(string.number));
      say(open, string.open);
      say(note, string.note);
      say(state, string.state);
      mark(box.children[i], "bass", string.bass);
    });
  },

  words(view, awake) {
    say(get("news"), view.news || (view.sound ? "" : "Ears: turn the amplifier down first"));
    mark(get("news"), "alarm", view.alarm && view.news);
    say(get("facts"), [view.facts, awake].filter(Boolean).join("; "));
    say(get("feet"), view.feet.length ? `feet: ${view.feet.join(", ")}` : "");
  },

  // A button says how things are; what is not as usual is inverted.
  hands(view) {
    const states = [
      ["sound", view.sound, "on", "OFF", !view.sound],
      ["split", view.split, "on", "OFF", !view.split],
      ["hold", view.hold, "HELD", "off", view.hold],
      ["unmute", view.unmuted, "ALL", "off", view.unmuted],
      ["tune", view.tuner !== null, "ON", "off", view.tuner !== null],
    ];
    for (const [id, on, yes, no, odd] of states) {
      const button = get(id);
      say(button.querySelector("b"), on ? yes : no);
      button.setAttribute("aria-pressed", String(Boolean(on)));
      mark(button, "odd", odd);
    }
    for (const id of ["previous", "list", "next"]) get(id).disabled = view.songs.length < 2;
  },
};
