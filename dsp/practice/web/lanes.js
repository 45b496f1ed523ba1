/*
 * String lanes passing by, four bars at a time: which string, which fret, and below them the bass by name.
 */

/** Bars to be seen, and the share of one that is behind the line. */
const BARS_SEEN = 4;
const BEHIND_BARS = 0.5;
/** A bar's length where no beat is known, in seconds. */
const BAR_WITHOUT_BEAT_S = 2;
/** Where the lanes are narrower than this, the bars are in two rows, in pixels. */
const NARROW_PX = 640;
/** Sizes of a fret's number and a note's name, and the room that the strings' names have, in pixels. */
const LARGEST_PX = 20;
const SMALLEST_PX = 9;
const NAMES_PX = 18;
/** How much of a row's height numbers of bars, and names of the bass, have. */
const HEAD_SHARE = 0.1;
const BASS_SHARE = 0.16;

class Lanes {
  /**
   * @param {{onset_s: number, offset_s: number, label: string, string: number, fret: number}[]} bass in order of time
   * @param guitar likewise
   * @param {string[]} strings names of the open strings, string 1 first
   */
  constructor(bass, guitar, strings) {
    this.canvas = document.getElementById("lanes");
    this.bass = bass;
    this.guitar = guitar;
    this.strings = strings;
    this.beats = [];
    const style = getComputedStyle(document.documentElement);
    this.colour = (name) => style.getPropertyValue(name).trim();
  }

  /** @param {[number, number, number][]} beats rows of seconds, bar, beat; ``bar_s``: length of a bar, or null */
  setBeats(beats, bar_s) {
    this.beats = beats.map(([at, bar, beat]) => ({ at, bar, first: beat === 1 }));
    this.bar_s = bar_s ?? BAR_WITHOUT_BEAT_S;
  }

  /** Draw the moment ``now``, in seconds of the take. */
  draw(now) {
    const density = window.devicePixelRatio || 1;
    const { clientWidth: width, clientHeight: height } = this.canvas;
    const size = [Math.round(width * density), Math.round(height * density)];
    if (this.canvas.width !== size[0] || this.canvas.height !== size[1]) [this.canvas.width, this.canvas.height] = size;
    const pen = this.canvas.getContext("2d");
    pen.setTransform(density, 0, 0, density, 0, 0);
    pen.clearRect(0, 0, width, height);
    const rows = width < NARROW_PX ? 2 : 1;
    const span = (BARS_SEEN / rows) * this.bar_s;
    const gap = rows > 1 ? 8 : 0;
    const each = (height - gap * (rows - 1)) / rows;
    for (let row = 0; row < rows; row++) {
      pen.save();
      pen.translate(0, row * (each + gap));
      this._row(pen, now, now - BEHIND_BARS * this.bar_s + row * span, span, width, each);
      pen.restore();
    }
  }

  /** Draw ``span`` seconds from ``from`` on. */
  _row(pen, now, from, span, width, height) {
    const x = (time) => NAMES_PX + ((time - from) / span) * (width - NAMES_PX);
    const head = Math.max(height * HEAD_SHARE, SMALLEST_PX + 3);
    const bassTop = height * (1 - BASS_SHARE);
    const lane = (bassTop - head) / this.strings.length;
    const middle = (string) => head + (string - 0.5) * lane;
    const seen = (things, start = (note) => note.onset_s, end = (note) => note.offset_s) =>
      things.filter((each) => end(each) > from && start(each) < from + span);
    pen.save();
    pen.beginPath();
    pen.rect(NAMES_PX, 0, width - NAMES_PX, height);
    pen.clip();
    pen.textBaseline = "middle";
    pen.textAlign = "left";
    for (const beat of seen(this.beats, (each) => each.at, (each) => each.at)) {
      pen.fillStyle = this.colour(beat.first ? "--edge" : "--sand");
      pen.fillRect(x(beat.at), beat.first ? 0 : head, beat.first ? 2 : 1, height);
      if (!beat.first || beat.bar < 1) continue;
      pen.font = `${Math.min(head - 1, 13)}px system-ui, sans-serif`;
      pen.fillStyle = this.colour("--quiet");
      pen.fillText(String(beat.bar), x(beat.at) + 5, head / 2);
    }
    pen.fillStyle = this.colour("--sand");
    this.strings.forEach((_, i) => pen.fillRect(NAMES_PX, middle(i + 1) - 0.5, width, 1));
    for (const [notes, fill, text] of [
      [this.guitar, "--note", "--on-note"],
      [this.bass, "--ink", "--on-ink"],
    ]) {
      const look = { fill: this.colour(fill), text: this.colour(text), height: Math.min(lane - 2, LARGEST_PX + 4) };
      for (const note of seen(notes)) {
        const top = middle(note.string) - look.height / 2;
        this._bar(pen, x(note.onset_s), x(note.offset_s), top, String(note.fret), look);
      }
    }
    const look = { fill: this.colour("--ink"), text: this.colour("--on-ink"), height: height - bassTop - 4 };
    for (const note of seen(this.bass)) this._bar(pen, x(note.onset_s), x(note.offset_s), bassTop + 2, note.label, look);
    if (now >= from && now <= from + span) {
      pen.fillStyle = this.colour("--paper");
      pen.fillRect(x(now) - 2.5, 0, 5, height);
      pen.fillStyle = this.colour("--accent");
      pen.fillRect(x(now) - 1.5, 0, 3, height);
    }
    pen.restore();
    pen.textBaseline = "middle";
    pen.textAlign = "center";
    pen.fillStyle = this.colour("--text");
    pen.font = `${Math.min(lane - 1, 13)}px system-ui, sans-serif`;
    this.strings.forEach((name, i) => pen.fillText(name, NAMES_PX / 2, middle(i + 1)));
  }

  /** A bar with its text, as large as it allows, down to what can be read; a fret may stand out over a short bar. */
  _bar(pen, left, right, top, text, look) {
    left = Math.max(left, Math.min(NAMES_PX, right - 4)); // of a note that began before, what is still to be seen
    const width = Math.max(3, right - left - 1);
    pen.fillStyle = look.fill;
    pen.fillRect(left, top, width, look.height);
    let size = Math.min(LARGEST_PX, look.height * 0.9);
    const fits = () => {
      pen.font = `600 ${size}px system-ui, sans-serif`;
      return pen.measureText(text).width + 3 <= width;
    };
    while (!fits() && size > SMALLEST_PX) size--;
    if (!fits()) {
      if (text.length > 2) return; // a name is left out, a fret never
      pen.fillRect(left, top, pen.measureText(text).width + 3, look.height);
    }
    pen.fillStyle = look.text;
    pen.fillText(text, left + 1.5, top + look.height / 2 + 0.5);
  }
}
