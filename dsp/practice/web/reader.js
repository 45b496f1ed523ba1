/*
 * Reads one stem at any speed without changing its pitch.
 *
 * Waveform similarity overlap-add (W. Verhelst and M. Roelands, "An overlap-add technique based on waveform similarity
 * (WSOLA) for high quality time-scale modification of speech", ICASSP 1993): every hop the sound goes on from where, near
 * the place that is due, it is most like what would have come naturally. Thumbline knows when each note begins, so
 * the beginnings are held fast: each is heard once, at its moment, and never in the middle of a fade.
 */

/** Length of a hop and of the waveform that is compared: over one period of a bass's low E, in seconds. */
const HOP_S = 0.03;
/** How far from the place that is due the sound may go on, in seconds. */
const SEARCH_S = 0.013;
/** What belongs to the beginning of a note, in seconds. */
const ATTACK_S = 0.005;
/** Fade from the end of a loop to its start, in seconds. */
const JUMP_S = 0.005;
/** Every so many lags, and samples, are looked at first. */
const COARSE = 4;

class Reader {
  /**
   * @param {Blocks} sound of the stem
   * @param {number[]} onsets the frames at which its notes begin, rising
   * @param {number} rate frames per second
   */
  constructor(sound, onsets, rate) {
    this.hop = Math.round(HOP_S * rate);
    this.search = Math.round(SEARCH_S * rate);
    this.attack = Math.round(ATTACK_S * rate);
    this.jump = Math.round(JUMP_S * rate);
    this.onsets = onsets;
    this.sound = sound;
    // What is heard now and what may come next, of one channel; and the sum of all channels, which is compared.
    this.now = new Float32Array(this.hop);
    this.next = new Float32Array(this.hop);
    this.here = new Float32Array(this.hop);
    this.there = new Float32Array(this.hop + 2 * this.search + 1);
    this.part = new Float32Array(this.there.length);
    this.seek(0);
  }

  /** Go on from ``frame`` with nothing before it. */
  seek(frame) {
    this.due = frame;
    this.natural = Math.round(frame);
    this.forced = null;
    this.fade = this.hop;
    this.passed = this._firstOnsetFrom(frame);
  }

  /** Go on from ``frame`` with a short fade from what is heard now. */
  jumpTo(frame) {
    const natural = this.natural;
    this.seek(frame);
    this.natural = natural;
    this.forced = Math.round(frame);
  }

  /** Write the next ``count`` frames (at most a hop) at ``speed`` into ``out``, one array a channel. */
  read(out, count, speed) {
    const natural = this._inside(this.natural);
    const start = this._inside(this._choose(count, speed));
    const fade = Math.max(1, Math.min(this.fade, count));
    for (let c = 0; c < this.sound.channels; c++) {
      this.sound.copy(c, natural, count, this.now);
      this.sound.copy(c, start, count, this.next);
      const y = out[c];
      for (let i = 0; i < count; i++) {
        const share = i < fade ? 0.5 - 0.5 * Math.cos((Math.PI * (i + 0.5)) / fade) : 1;
        y[i] = this.now[i] + share * (this.next[i] - this.now[i]);
      }
    }
    this.natural = start + count;
    this.due += count * speed;
  }

  /** Whether all is there that the next hop may need. */
  get ready() {
    const about = (frame) => this.sound.has(frame - 3 * this.search, frame + 3 * this.hop + this.search);
    return about(this.natural) && about(Math.round(this.due));
  }

  _inside(frame) {
    return Math.min(Math.max(frame, -2 * this.hop), this.sound.frames + 2 * this.hop);
  }

  _firstOnsetFrom(frame) {
    let low = 0;
    let high = this.onsets.length;
    while (low < high) {
      const middle = (low + high) >> 1;
      if (this.onsets[middle] < frame) low = middle + 1;
      else high = middle;
    }
    return low;
  }

  /** Where the sound goes on. */
  _choose(count, speed) {
    const wanted = Math.round(this.due);
    this.fade = this.hop;
    if (this.forced !== null) {
      const start = this.forced;
      this.forced = null;
      this.fade = this.jump;
      return start;
    }
    if (Math.abs(this.natural - wanted) <= 1) return this._natural(count, speed);
    let low = wanted - this.search;
    let high = wanted + this.search;
    if (this.passed > 0) {
      const last = this.onsets[this.passed - 1];
      if (this.due - last < (count + this.attack) * Math.max(speed, 1) && this.natural > last) {
        return this._natural(count, speed); // the attack is being heard
      }
      low = Math.max(low, last + this.attack); // and is never heard twice
      high = Math.max(high, low);
    }
    if (this.passed < this.onsets.length) {
      const next = this.onsets[this.passed];
      const until = (next - this.due) / speed; // frames from now
      if (until < count + this.attack) {
        this.passed++;
        this.fade = Math.max(1, Math.min(count, Math.round(until) - (this.attack >> 2)));
        return Math.round(next - until);
      }
      high = Math.min(high, Math.floor(next - Math.min(until, 2 * this.hop) - (this.attack >> 2)));
      low = Math.min(low, Math.max(high - 2 * this.search, this.passed > 0 ? this.onsets[this.passed - 1] : low));
      if (low > high) low = high;
    }
    return this._mostAlike(low, high);
  }

  /** Go on as it is, and pass the notes that begin on the way. */
  _natural(count, speed) {
    while (this.passed < this.onsets.length && this.onsets[this.passed] < this.due + (count + this.attack) * speed) {
      this.passed++;
    }
    return this.natural;
  }

  /** The start from ``low`` to ``high`` whose first hop is most like the natural one (normalised correlation). */
  _mostAlike(low, high) {
    this._sum(this._inside(this.natural), this.hop, this.here);
    low = this._inside(low);
    high = Math.min(this._inside(high), low + 2 * this.search);
    this._sum(low, high - low + this.hop, this.there);
    const coarse = this._best(low, low, high, COARSE, COARSE);
    return this._best(low, Math.max(low, coarse - COARSE + 1), Math.min(high, coarse + COARSE - 1), 1, 2);
  }

  _sum(from, count, out) {
    this.sound.copy(0, from, count, out);
    for (let c = 1; c < this.sound.channels; c++) {
      this.sound.copy(c, from, count, this.part);
      for (let i = 0; i < count; i++) out[i] += this.part[i];
    }
  }

  _best(first, low, high, lagStep, step) {
    const a = this.here;
    let best = low;
    let most = -Infinity;
    for (let lag = low; lag <= high; lag += lagStep) {
      const from = lag - first;
      let product = 0;
      let energy = 1e-9;
      for (let i = 0; i < this.hop; i += step) {
        const b = this.there[from + i];
        product += a[i] * b;
        energy += b * b;
      }
      const likeness = product / Math.sqrt(energy);
      if (likeness > most) {
        most = likeness;
        best = lag;
      }
    }
    return best;
  }
}
