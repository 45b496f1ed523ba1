/*
 * The guard of ears and converter: nothing passes the ceiling. It looks ahead, so that it need not cut.
 *
 * Each frame's gain is the mean over the time it looks ahead of the lowest gain that is needed in that time, so it has
 * fallen to what a peak needs when the peak comes; it rises again slowly.
 */

/** Highest peak that leaves the page. */
const CEILING = 10 ** (-1 / 20);
const AHEAD_OF_PEAK_S = 0.005;
/** Time in which the gain rises by most of what it had to fall. */
const RISE_S = 0.4;

class Guard {
  /** @param {number} rate frames per second */
  constructor(rate) {
    this.length = Math.round(AHEAD_OF_PEAK_S * rate);
    this.rise = 1 / (RISE_S * rate);
    this.left = new Float32Array(this.length);
    this.right = new Float32Array(this.length);
    this.gains = new Float64Array(this.length).fill(1);
    this.sum = this.length;
    this.gain = 1;
    this.now = 0;
    // Gains that may still be the lowest, rising, and the frames at which they were needed: a ring.
    this.needed = new Float64Array(this.length + 1);
    this.frames = new Float64Array(this.length + 1);
    this.first = 0;
    this.count = 0;
  }

  /** Hold down ``count`` frames of two channels in place; they come out a little later. */
  process(left, right, count) {
    for (let i = 0; i < count; i++) {
      const at = this.now % this.length;
      this._need(Math.min(1, CEILING / Math.max(Math.abs(left[i]), Math.abs(right[i]), 1e-9)));
      this.gain = Math.min(this.needed[this.first], this.gain + this.rise * (1 - this.gain));
      this.sum += this.gain - this.gains[at];
      this.gains[at] = this.gain;
      this.left[at] = left[i];
      this.right[at] = right[i];
      const oldest = (at + 1) % this.length;
      const gain = this.sum / this.length;
      left[i] = gain * this.left[oldest];
      right[i] = gain * this.right[oldest];
      this.now++;
      if (oldest === 0) this.sum = this.gains.reduce((sum, each) => sum + each, 0); // so that no rounding adds up
    }
  }

  /** Take in the gain that this frame needs; the lowest of the last ones is then first in the ring. */
  _need(gain) {
    const size = this.needed.length;
    if (this.count > 0 && this.frames[this.first] <= this.now - this.length) {
      this.first = (this.first + 1) % size;
      this.count--;
    }
    while (this.count > 0 && this.needed[(this.first + this.count - 1) % size] >= gain) this.count--;
    const last = (this.first + this.count) % size;
    this.needed[last] = gain;
    this.frames[last] = this.now;
    this.count++;
  }
}
