"use strict";
/*
 * The sound of a stem, as far as it is there: blocks of one length, which come and go.
 */

class Blocks {
  /**
   * @param {number} frames length of the stem
   * @param {number} channels how many channels it has
   * @param {number} length frames in each block; the last one may be shorter
   */
  constructor(frames, channels, length) {
    this.frames = frames;
    this.channels = channels;
    this.length = length;
    this.there = new Map();
  }

  /** @param {Float32Array[]} sound of block ``which``, one array for each channel */
  put(which, sound) {
    this.there.set(which, sound);
  }

  /** Keep only these blocks. */
  keep(wanted) {
    for (const which of this.there.keys()) if (!wanted.includes(which)) this.there.delete(which);
  }

  /** Whether all frames from ``from`` to before ``to`` are there; beyond both ends is silence, which always is. */
  has(from, to) {
    const last = Math.floor((Math.min(to, this.frames) - 1) / this.length);
    for (let which = Math.floor(Math.max(from, 0) / this.length); which <= last; which++) {
      if (!this.there.has(which)) return false;
    }
    return true;
  }

  /** Write ``count`` frames of a channel, from ``from`` on, into ``out``; silence where nothing is there. */
  copy(channel, from, count, out) {
    for (let done = 0; done < count; ) {
      const frame = from + done;
      const which = Math.floor(frame / this.length);
      const at = frame - which * this.length;
      const length = Math.min(count - done, this.length - at);
      const sound = this.there.get(which)?.[channel];
      const end = sound ? Math.min(at + length, sound.length) : at;
      if (sound && end > at) out.set(sound.subarray(at, end), done);
      out.fill(0, done + Math.max(end - at, 0), done + length);
      done += length;
    }
  }
}
