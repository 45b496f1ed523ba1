/*
 * The beats of the take, and what a listener who knows better does to them.
 */

/** Beats per minute that can be tapped, and that the program reads. */
const SLOWEST_BPM = 20;
const FASTEST_BPM = 400;
/** So many of the last taps are looked at, and this many make a tempo. */
const TAPS_KEPT = 16;
const TAPS_NEEDED = 3;

function median(values) {
  const sorted = [...values].sort((a, b) => a - b);
  const middle = sorted.length >> 1;
  return sorted.length % 2 ? sorted[middle] : (sorted[middle - 1] + sorted[middle]) / 2;
}

class Meter {
  /**
   * @param index of the practice folder
   * @param {() => void} onChange called when the beats are others
   */
  constructor(index, onChange) {
    this.index = index;
    this.onChange = onChange;
    this.perBar = index.tempo.beats_per_bar;
    this.taps = [];
    this._take();
  }

  /** Median tempo, or null if there is none. */
  get bpm() {
    if (this.times.length < 2) return this.changed ? null : this.index.tempo.bpm;
    if (!this.changed) return this.index.tempo.bpm;
    return 60 / median(this.times.slice(1).map((time, i) => time - this.times[i]));
  }

  /** What is said beside the tempo. */
  get words() {
    if (this.changed) return " (yours)";
    const { source, confidence } = this.index.tempo;
    if (source !== "estimated") return "";
    return confidence < 0.5 ? " (not sure: tap it)" : " (estimated)";
  }

  /** What the memory keeps of beats that were changed. */
  get own() {
    return this.changed ? { times: this.times, downbeat: this.downbeat } : {};
  }

  /** Take what the memory kept. */
  set own({ times, downbeat }) {
    if (!Array.isArray(times) || !times.every(Number.isFinite) || !Number.isInteger(downbeat)) return;
    this.downbeat = downbeat;
    this._change(times);
  }

  /** Length of a bar in seconds, or null if no tempo is known. */
  get bar_s() {
    return this.bpm === null ? null : (60 / this.bpm) * this.perBar;
  }

  /** The beats as they were found. */
  reset() {
    this._take();
    this.onChange();
  }

  /** A beat is at this moment. Three taps or more in a row make a tempo, and the beats a strict grid of it. */
  tap(now) {
    const last = this.taps.at(-1);
    const fits = last !== undefined && now - last >= 60 / FASTEST_BPM && now - last <= 60 / SLOWEST_BPM;
    this.taps = fits ? [...this.taps.slice(1 - TAPS_KEPT), now] : [now];
    if (this.taps.length < TAPS_NEEDED) return;
    const count = this.taps.length;
    const middle = (count - 1) / 2;
    const mean = this.taps.reduce((sum, time) => sum + time, 0) / count;
    let rise = 0;
    let spread = 0;
    this.taps.forEach((time, i) => {
      rise += (i - middle) * (time - mean);
      spread += (i - middle) ** 2;
    });
    const period = rise / spread;
    this._lay(mean - middle * period, period);
  }

  /** The beat next to this moment is the first of a bar, and of bar 1 if none is before it. */
  one(now) {
    if (this.times.length === 0) return;
    const near = this.times.reduce((best, time, i) => (Math.abs(time - now) < Math.abs(this.times[best] - now) ? i : best), 0);
    this.downbeat = near % this.perBar;
    this._change(this.times);
  }

  /** Leave out every other beat; the one next to this moment stays. */
  half(now) {
    if (this.times.length < 4) return;
    const near = this.times.reduce((best, time, i) => (Math.abs(time - now) < Math.abs(this.times[best] - now) ? i : best), 0);
    const first = (this.downbeat - near) % 2 === 0 ? this.downbeat : near;
    const kept = this.times.filter((_, i) => (i - first) % 2 === 0);
    this.downbeat = kept.indexOf(this.times[first]) % this.perBar;
    this._change(kept);
  }

  /** Put a beat between every two. */
  double() {
    if (this.times.length < 2) return;
    const twice = this.times.flatMap((time, i) => (i ? [(this.times[i - 1] + time) / 2, time] : [time]));
    this.downbeat *= 2;
    this._change(twice);
  }

  nudge(by) {
    this._change(this.times.map((time) => time + by));
  }

  /** The beats as `thumbline practice --taps` reads them: from the first one of a bar, which is bar 1. */
  text() {
    const rows = this.times.slice(Math.max(this.downbeat, 0)).filter((time) => time >= 0);
    const head = `# ${this.index.take.replace(/[\r\n]+/g, " ")}: beats in seconds; bar 1 begins with the first; --beats ${this.perBar}`;
    return [head, ...rows.map((time) => time.toFixed(4)), ""].join("\n");
  }

  /** `beats` are rows as in the index: time in seconds, bar, beat. */
  _take() {
    const { beats } = this.index;
    this.times = beats.map(([time]) => time);
    this.downbeat = beats.findIndex(([, , beat]) => beat === 1);
    const first = beats.findIndex(([, bar, beat]) => bar === 1 && beat === 1);
    if (first >= 0) this.downbeat = first;
    this.downbeat = Math.max(this.downbeat, 0);
    this.changed = false;
    this.beats = beats;
  }

  _lay(start, period) {
    const first = Math.ceil(-start / period);
    const last = Math.floor((this.index.seconds - start) / period);
    const old = this.times[this.downbeat];
    const times = Array.from({ length: last - first + 1 }, (_, i) => start + (first + i) * period);
    const near = old === undefined ? 0 : times.reduce((best, time, i) => (Math.abs(time - old) < Math.abs(times[best] - old) ? i : best), 0);
    this.downbeat = near;
    this._change(times);
  }

  _change(times) {
    this.times = times;
    this.changed = true;
    this.beats = times.map((time, i) => {
      const from = i - this.downbeat;
      return [time, Math.floor(from / this.perBar) + 1, (((from % this.perBar) + this.perBar) % this.perBar) + 1];
    });
    this.onChange();
  }
}
