"use strict";
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
   * @param {Float32Array[]} channels the stem's sound, one array a channel
   * @param {number[]} onsets the frames at which its notes begin, rising
   * @param {number} rate frames a second
   */
  constructor(channels, onsets, rate) {
    this.hop = Math.round(HOP_S * rate);
    this.search = Math.round(SEARCH_S * rate);
    this.attack = Math.round(ATTACK_S * rate);
    this.jump = Math.round(JUMP_S * rate);
    this.onsets = onsets;
    this.frames = channels[0].length;
    // Silence on both sides, so that no index needs a check.
    this.pad = 4 * this.hop + 2 * this.search;
    this.channels = channels.map((channel) => {
      const padded = new Float32Array(this.frames + 2 * this.pad);
      padded.set(channel, this.pad);
      return padded;
    });
    this.guide = this.channels[0];
    if (this.channels.length > 1) {
      this.guide = new Float32Array(this.frames + 2 * this.pad);
      for (const channel of this.channels) for (let i = 0; i < channel.length; i++) this.guide[i] += channel[i];
    }
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
    for (let c = 0; c < this.channels.length; c++) {
      const x = this.channels[c];
      const y = out[c];
      const fade = Math.max(1, Math.min(this.fade, count));
      for (let i = 0; i < count; i++) {
        const share = i < fade ? 0.5 - 0.5 * Math.cos((Math.PI * (i + 0.5)) / fade) : 1;
        y[i] = x[natural + i] + share * (x[start + i] - x[natural + i]);
      }
    }
    this.natural = start - this.pad + count;
    this.due += count * speed;
  }

  _inside(frame) {
    return Math.min(Math.max(frame, -2 * this.hop), this.frames + 2 * this.hop) + this.pad;
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
    let best = this._best(low, high, COARSE, COARSE);
    best = this._best(Math.max(low, best - COARSE + 1), Math.min(high, best + COARSE - 1), 1, 2);
    return best;
  }

  _best(low, high, lagStep, step) {
    const x = this.guide;
    const a = this._inside(this.natural);
    let best = low;
    let most = -Infinity;
    for (let lag = low; lag <= high; lag += lagStep) {
      const b = this._inside(lag);
      let product = 0;
      let energy = 1e-9;
      for (let i = 0; i < this.hop; i += step) {
        product += x[a + i] * x[b + i];
        energy += x[b + i] * x[b + i];
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
