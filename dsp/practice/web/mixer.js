/*
 * A fader, a meter, "only" and "mute" for each part.
 */

/** Lowest setting of a fader: there it is off, in dB. */
const OFF_DB = -48;
const HIGHEST_DB = 12;
/** Part, name, fader when the page opens, in dB. */
const PARTS = [
  ["bass", "Bass", 0],
  ["guitar", "Guitar", 0],
  ["click", "Click", OFF_DB],
];
/** Where the click's fader goes when it is switched on by key. */
const CLICK_DB = -6;

class Mixer {
  /**
   * @param {(gains: object) => number} onGains called with the gain of each part; tells by how many dB all are less
   * @param {Memory} memory
   */
  constructor(onGains, memory) {
    this.onGains = onGains;
    this.memory = memory;
    const levels = memory.get("levels", {});
    this.parts = Object.fromEntries(
      PARTS.map(([part, name, db]) => [part, this._makePart(part, name, Number.isFinite(levels[part]) ? levels[part] : db)]),
    );
    this.update();
  }

  /** Hear one part only, or all again; null for all. */
  only(part) {
    for (const [name, each] of Object.entries(this.parts)) {
      each.only = name === part && !each.only;
    }
    this.update();
  }

  /** Switch the click on or off. */
  toggleClick() {
    const { fader } = this.parts.click;
    fader.value = Number(fader.value) > OFF_DB ? OFF_DB : CLICK_DB;
    this.update();
  }

  showLevels(levels) {
    for (const [part, each] of Object.entries(this.parts)) {
      const db = 20 * Math.log10(Math.max(levels[part] ?? 0, 1e-4));
      each.meter.value = Math.max(0, db + 60);
    }
  }

  update() {
    const alone = Object.entries(this.parts).filter(([, each]) => each.only);
    const gains = {};
    for (const [part, each] of Object.entries(this.parts)) {
      const db = Number(each.fader.value);
      const silent = db <= OFF_DB || each.muted || (alone.length > 0 && !each.only && part !== "click");
      gains[part] = silent ? 0 : 10 ** (db / 20);
      const words = db <= OFF_DB ? "off" : `${db > 0 ? "+" : ""}${db} dB`;
      each.now.textContent = words;
      each.fader.setAttribute("aria-valuetext", words);
      each.onlyButton?.setAttribute("aria-pressed", String(each.only));
      each.muteButton.setAttribute("aria-pressed", String(each.muted));
    }
    this.memory.set("levels", Object.fromEntries(Object.entries(this.parts).map(([part, each]) => [part, Number(each.fader.value)])));
    const less = this.onGains(gains);
    const held = document.getElementById("held");
    held.textContent = less >= 0.5 ? `All parts ${less.toFixed(0)} dB down, so that nothing is too loud for the output.` : "";
  }

  _makePart(part, name, db) {
    const row = document.createElement("div");
    row.className = "part";
    row.innerHTML = `
      <label for="level-${part}">${name}</label>
      <input id="level-${part}" type="range" min="${OFF_DB}" max="${HIGHEST_DB}" step="1" value="${db}">
      <output for="level-${part}"></output>
      <button type="button" id="only-${part}" aria-label="${name} only">Solo</button>
      <button type="button" id="mute-${part}" aria-label="Mute ${name.toLowerCase()}">Mute</button>
      <meter id="meter-${part}" min="0" max="60" value="0" aria-label="${name}, level heard"></meter>`;
    document.getElementById("mixer").append(row);
    const [fader, now, onlyButton, muteButton, meter] = row.querySelectorAll("input, output, button, meter");
    const each = { fader, now, onlyButton, muteButton, meter, only: false, muted: false };
    fader.addEventListener("input", () => this.update());
    onlyButton.addEventListener("click", () => this.only(part));
    muteButton.addEventListener("click", () => {
      each.muted = !each.muted;
      this.update();
    });
    if (part === "click") {
      onlyButton.style.visibility = "hidden"; // a click alone is no practice
      each.onlyButton = null;
    }
    return each;
  }
}
