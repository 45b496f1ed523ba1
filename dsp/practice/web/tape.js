/*
 * The tape: all stems together, with click, count-in and loop, to the frame. It runs in the audio thread.
 */

/** Time in which a level follows its slider, and in which sound begins and ends, in seconds. */
const GLIDE_S = 0.02;
const OPEN_S = 0.001;
const CLOSE_S = 0.005;
/** Pitch of the click on the first beat of a bar and on the others, in Hz; the time in which it falls to a third. */
const ACCENT_HZ = 1760;
const BEAT_HZ = 1174.7;
const DECAY_S = 0.01;
const KNOCK_S = 0.12;
/** Peak of the click; other beats than the first are softer. */
const LOUD = 0.5;
const SOFTER = 0.63;
/** How much of a level is left after a frame, in the meters. */
const METER_DECAY = 0.9996;

function knockSound(hz, peak, rate) {
  const sound = new Float32Array(Math.round(KNOCK_S * rate));
  for (let i = 0; i < sound.length; i++) {
    const t = (i + 1) / rate;
    sound[i] = peak * Math.sin(2 * Math.PI * hz * t) * Math.exp(-t / DECAY_S);
  }
  return sound;
}

class Tape {
  /**
   * @param {number} rate frames per second
   * @param {{name: string, sound: Blocks, onsets: number[]}[]} stems of one length; onsets in frames
   * @param {{at: number, accent: boolean}[]} beats in frames, rising
   */
  constructor(rate, stems, beats) {
    this.rate = rate;
    this.beats = beats;
    this.frames = stems[0].sound.frames;
    this.hop = Math.round(HOP_S * rate);
    this.stems = stems.map((stem) => ({
      name: stem.name,
      reader: new Reader(stem.sound, stem.onsets, rate),
      sound: stem.sound,
      out: Array.from({ length: stem.sound.channels }, () => new Float32Array(this.hop)),
      gain: 1,
      target: 1,
      level: 0,
    }));
    this.click = { target: 0, level: 0, out: new Float32Array(this.hop) };
    this.sounds = { accent: knockSound(ACCENT_HZ, LOUD, rate), beat: knockSound(BEAT_HZ, LOUD * SOFTER, rate) };
    this.speed = 1;
    this.loop = null; // [first frame, one past the last]
    this.countInBeats = 0;
    this.ladder = 0; // added to the speed after each pass of the loop
    this.passes = 0;
    this.answered = 0; // number of the last request that was done
    this.playing = false;
    this.waiting = false; // for sound that is not there yet
    this.envelope = 0;
    this.seek(0);
  }

  /** Go to ``frame``; nothing of what was before is heard any more. */
  seek(frame) {
    this._place(frame);
    for (const stem of this.stems) stem.reader.seek(this.position);
    this.fresh = 0; // frames made that are still to be heard,
    this.taken = 0; // and how many were
    this.knocks = []; // sounding: which sound, from which of its frames on (negative: frames from now), how loud
    this.coming = []; // of a count-in: frames from now
    this.lead = 0; // frames of a count-in still to be made
    this.leaving = false; // whether the end of a loop is still to fade
  }

  play() {
    if (this.loop && (this.position < this.loop[0] || this.position >= this.loop[1])) this.seek(this.loop[0]);
    if (this.position >= this.frames) this.seek(0);
    this.passes = 0;
    this.playing = true;
    this._countIn();
  }

  stop() {
    this.playing = false;
  }

  /** Write ``count`` frames into two channels. */
  render(left, right, count) {
    left.fill(0, 0, count);
    right.fill(0, 0, count);
    for (let done = 0; done < count; ) {
      if (!this.playing && this.envelope <= 0) return;
      if (this.fresh === 0) {
        this.waiting = !this.stems.every((stem) => stem.reader.ready);
        if (this.waiting) {
          this.envelope = 0;
          return;
        }
        this._make();
      }
      const length = Math.min(this.fresh, count - done);
      this._mix(left, right, done, length);
      done += length;
    }
  }

  /** Take other beats, from here on. */
  setBeats(beats) {
    this.beats = beats;
    this._findBeat();
  }

  _place(frame) {
    this.position = Math.min(Math.max(frame, 0), this.frames);
    this._findBeat();
  }

  _findBeat() {
    this.nextBeat = this.beats.findIndex((beat) => beat.at >= this.position - 1);
    if (this.nextBeat < 0) this.nextBeat = this.beats.length;
  }

  /** Make the next frames: a hop, or less before the end of a count-in or of a loop. */
  _make() {
    const counting = this.lead > 0;
    const count = counting ? this._makeLead() : this._makeSound();
    this.opening = !counting;
    this._knock(count);
    this.fresh = count;
    this.taken = 0;
  }

  _makeLead() {
    const count = Math.min(this.hop, this.lead);
    for (const stem of this.stems) {
      if (this.leaving) {
        stem.reader.read(stem.out, count, this.speed);
        stem.reader.seek(this.position);
      } else for (const channel of stem.out) channel.fill(0);
    }
    this.leaving = false;
    while (this.coming.length && this.coming[0].in < count) {
      const knock = this.coming.shift();
      this._addKnock(Math.round(knock.in), knock.accent, Math.max(this.click.target, 1));
    }
    for (const knock of this.coming) knock.in -= count;
    this.lead -= count;
    return count;
  }

  _makeSound() {
    const end = this.loop && this.position < this.loop[1] ? this.loop[1] : this.frames;
    const left = Math.ceil((end - this.position) / this.speed);
    const count = Math.max(1, Math.min(this.hop, left));
    for (const stem of this.stems) stem.reader.read(stem.out, count, this.speed);
    const to = this.position + count * this.speed;
    for (; this.nextBeat < this.beats.length && this.beats[this.nextBeat].at < Math.min(to, end); this.nextBeat++) {
      const beat = this.beats[this.nextBeat];
      const after = Math.max(0, Math.round((beat.at - this.position) / this.speed));
      if (this.click.target > 0) this._addKnock(after, beat.accent, this.click.target);
    }
    this.position = to;
    if (to >= end) this._atEnd();
    return count;
  }

  _atEnd() {
    if (!this.loop) {
      this.playing = false;
      return;
    }
    this.passes++;
    if (this.ladder > 0 && this.speed < 1) this.speed = Math.min(1, Math.round(100 * (this.speed + this.ladder)) / 100);
    this._place(this.loop[0]);
    this._countIn();
    if (this.lead > 0) this.leaving = true;
    else for (const stem of this.stems) stem.reader.jumpTo(this.position);
  }

  /** Count beats before what comes, at its pace, so that they lead to its next beat. */
  _countIn() {
    if (this.countInBeats === 0 || this.beats.length < 2) return;
    const near = Math.min(Math.max(this.nextBeat, 1), this.beats.length - 1);
    const pace = (this.beats[near].at - this.beats[near - 1].at) / this.speed;
    const next = this.nextBeat < this.beats.length ? this.beats[this.nextBeat].at : this.position;
    const offset = ((next - this.position) / this.speed) % pace;
    this.lead = Math.round(this.countInBeats * pace);
    this.coming = [];
    for (let i = 0; i < this.countInBeats; i++) this.coming.push({ in: i * pace + offset, accent: i === 0 });
  }

  _addKnock(after, accent, gain) {
    this.knocks.push({ sound: accent ? this.sounds.accent : this.sounds.beat, from: -after, gain });
  }

  _knock(count) {
    this.click.out.fill(0);
    for (const knock of this.knocks) {
      for (let i = Math.max(0, -knock.from); i < count && knock.from + i < knock.sound.length; i++) {
        this.click.out[i] += knock.gain * knock.sound[knock.from + i];
      }
      knock.from += count;
    }
    this.knocks = this.knocks.filter((knock) => knock.from < knock.sound.length);
  }

  _mix(left, right, at, length) {
    const glide = 1 / (GLIDE_S * this.rate);
    const open = 1 / (OPEN_S * this.rate);
    const close = 1 / (CLOSE_S * this.rate);
    const heard = this.playing && this.opening;
    for (let i = 0; i < length; i++) {
      this.envelope = heard ? Math.min(1, this.envelope + open) : Math.max(0, this.envelope - close);
      const k = this.taken + i;
      const knock = this.click.out[k];
      this.click.level = Math.max(METER_DECAY * this.click.level, Math.abs(knock));
      let l = knock;
      let r = knock;
      for (const stem of this.stems) {
        stem.gain += Math.max(-glide, Math.min(glide, stem.target - stem.gain));
        const gain = stem.gain * this.envelope;
        const a = gain * stem.out[0][k];
        const b = stem.out.length > 1 ? gain * stem.out[1][k] : a;
        l += a;
        r += b;
        stem.level = Math.max(METER_DECAY * stem.level, Math.abs(a), Math.abs(b));
      }
      left[at + i] = l;
      right[at + i] = r;
    }
    this.taken += length;
    this.fresh -= length;
  }
}
