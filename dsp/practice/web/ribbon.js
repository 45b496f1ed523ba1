/*
 * Notes passing by: what sounds is at the line, what comes is on the right.
 */

/** Seconds of the take left and right of the line. */
const BEHIND_S = 1;
const AHEAD_S = 5;
/** Sizes of a note's name. */
const LARGEST_PX = 24;
const SMALLEST_PX = 10;

class Ribbon {
  /**
   * @param {{onset_s: number, offset_s: number, label: string, string: number}[]} bass in order of time
   * @param guitar likewise
   * @param {{at: number, first: boolean}[]} beats in seconds
   * @param {number} strings how many lanes the guitar has, string 1 on top
   */
  constructor(bass, guitar, beats, strings) {
    this.canvas = document.getElementById("ribbon");
    this.bass = bass;
    this.guitar = guitar;
    this.beats = beats;
    this.strings = strings;
    const style = getComputedStyle(document.documentElement);
    this.colour = (name) => style.getPropertyValue(name).trim();
  }

  /** Draw the moment ``now``, in seconds of the take. */
  draw(now) {
    const density = window.devicePixelRatio || 1;
    const width = this.canvas.clientWidth;
    const height = this.canvas.clientHeight;
    if (this.canvas.width !== Math.round(width * density)) {
      this.canvas.width = Math.round(width * density);
      this.canvas.height = Math.round(height * density);
    }
    const pen = this.canvas.getContext("2d");
    pen.setTransform(density, 0, 0, density, 0, 0);
    pen.clearRect(0, 0, width, height);
    const scale = width / (BEHIND_S + AHEAD_S);
    const x = (time) => (time - now + BEHIND_S) * scale;
    for (const beat of this._visible(this.beats, now, (each) => each.at)) {
      pen.fillStyle = this.colour(beat.first ? "--edge" : "--sand");
      pen.fillRect(x(beat.at), 0, beat.first ? 2 : 1, height);
    }
    const bassTop = height * 0.7;
    const lane = bassTop / this.strings;
    this._bars(pen, this._visible(this.guitar, now), x, {
      top: (note) => 2 + (note.string - 1) * lane,
      height: lane - 2,
      fill: this.colour("--sand"),
      text: this.colour("--text"),
    });
    this._bars(pen, this._visible(this.bass, now), x, {
      top: () => bassTop + 4,
      height: height - bassTop - 8,
      fill: this.colour("--ink"),
      text: "#fff",
    });
    pen.fillStyle = this.colour("--text");
    pen.fillRect(x(now) - 1, 0, 2, height);
  }

  _visible(things, now, start = (note) => note.onset_s, end = (note) => note.offset_s ?? note.at) {
    return things.filter((each) => end(each) > now - BEHIND_S && start(each) < now + AHEAD_S);
  }

  _bars(pen, notes, x, look) {
    pen.textBaseline = "middle";
    for (const note of notes) {
      const left = x(note.onset_s);
      const width = Math.max(3, x(note.offset_s) - left - 1);
      const top = look.top(note);
      pen.fillStyle = look.fill;
      pen.fillRect(left, top, width, look.height);
      // As large as the bar allows, down to what can be read.
      let size = Math.min(LARGEST_PX, look.height * 0.8);
      const room = () => {
        pen.font = `${size}px system-ui, sans-serif`;
        return pen.measureText(note.label).width + 4 <= width;
      };
      while (!room() && size > SMALLEST_PX) size--;
      if (room()) {
        pen.fillStyle = look.text;
        pen.fillText(note.label, Math.max(left, 0) + 2, top + look.height / 2 + 1);
      }
    }
  }
}
