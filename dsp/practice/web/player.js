/*
 * The player: starts the tape in the audio thread, brings it the sound about the place that is heard, and passes on what
 * it reports.
 */

/** Frames a block where there is no audio thread for scripts (pages that come over plain http). */
const FALLBACK_BLOCK = 2048;
/** Peak of the click at 0 dB. */
const CLICK_PEAK = 0.5;

function bytesOf(element) {
  const text = atob(element.textContent.trim());
  const bytes = new Uint8Array(text.length);
  for (let i = 0; i < text.length; i++) bytes[i] = text.charCodeAt(i);
  return bytes.buffer;
}

class Player {
  /**
   * @param index of the practice folder
   * @param {(report: object) => void} onReport
   * @param {(error: Error) => void} onTrouble
   */
  constructor(index, onReport, onTrouble) {
    this.index = index;
    this.onReport = onReport;
    this.onTrouble = onTrouble;
    /** Tells the tape; see worklet.js for what it understands. Before it is loaded nothing listens. */
    this.tell = () => {};
    const { rate } = index.sound;
    this.context = new AudioContext({ latencyHint: "interactive", sampleRate: rate });
    this.rate = rate;
    this.frames = Math.round(index.seconds * rate);
    this.length = Math.round(index.sound.block_s * rate);
    this.last = Math.max(Math.ceil(this.frames / this.length) - 1, 0);
    this.sources = {};
    for (const { part } of index.sound.stems) {
      this.sources[part] = [...document.querySelectorAll(`script[data-stem="${part}"]`)];
    }
    this.place = { position: 0, loop: null };
    /** Number of the last request; a report that answers an earlier one tells of what is past. */
    this.asked = 0;
    this.there = new Set();
    this.coming = new Set();
  }

  /** Make the tape and bring it the first sound; resolves when it can play. */
  async load() {
    const { index, rate } = this;
    const onsets = { bass: index.bass_notes, guitar: index.guitar_notes };
    const stems = index.sound.stems.map(({ part, channels }) => {
      const frames = onsets[part].map((note) => Math.round(note.onset_s * rate));
      return { name: part, channels, onsets: [...new Set(frames)].sort((a, b) => a - b) };
    });
    const beats = index.beats.map(([time, , beat]) => ({ at: Math.round(time * rate), accent: beat === 1 }));
    await this._connect({ frames: this.frames, length: this.length, stems, beats });
    this.ask({ seek: this.place.position });
    await this._bring(0);
    this._fetch();
  }

  /** Ask for something of which reports tell (place, playing, speed): until it is answered, they are ignored. */
  ask(message) {
    this.asked++;
    this.tell({ ...message, request: this.asked });
  }

  async play() {
    await this.context.resume();
    this.ask({ play: true });
  }

  /** Go to a frame. */
  seek(frame) {
    this.place.position = frame;
    this._fetch();
    this.ask({ seek: frame });
  }

  /** Loop between two frames, or not. */
  loop(frames) {
    this.place.loop = frames;
    this._fetch();
    this.tell({ loop: frames });
  }

  /**
   * Give each part its gain, all of them less if their peaks together would be higher than with no fader raised: so the
   * guard has no more to do than in the finished tracks, and no part is heard to duck under another.
   * @returns {number} what all were taken down by, in dB
   */
  gains(gains) {
    const peaks = { click: CLICK_PEAK };
    for (const { part, peak } of this.index.sound.stems) peaks[part] = peak;
    const usual = Math.max(CEILING, this.index.sound.stems.reduce((sum, { peak }) => sum + peak, 0));
    const wanted = Object.entries(gains).reduce((sum, [part, gain]) => sum + gain * peaks[part], 0);
    const less = Math.min(1, usual / Math.max(wanted, 1e-9));
    this.tell({ gains: Object.fromEntries(Object.entries(gains).map(([part, gain]) => [part, less * gain])) });
    return -20 * Math.log10(less);
  }

  /** The blocks that are wanted: about the place that is heard, where a loop goes on, and the start. */
  get wanted() {
    const { position, loop } = this.place;
    const now = Math.floor(position / this.length);
    const wanted = [now, now + 1, now - 1, now + 2];
    if (loop) {
      const start = Math.floor(loop[0] / this.length);
      wanted.push(start, start + 1, Math.max(start - 1, 0));
    }
    return [...new Set([...wanted, 0])].filter((which) => which >= 0 && which <= this.last);
  }

  /** Bring what is wanted and not there, and let go of the rest. */
  _fetch() {
    const { wanted } = this;
    const missing = wanted.filter((which) => !this.there.has(which) && !this.coming.has(which));
    for (const which of missing) this._bring(which).catch(this.onTrouble);
    if (missing.length === 0 && this.there.size > wanted.length) {
      this.there = new Set(wanted.filter((which) => this.there.has(which)));
      this.tell({ keep: [...this.there] });
    }
  }

  async _bring(which) {
    this.coming.add(which);
    try {
      const before = Math.round(this.index.sound.before_s * this.rate);
      const length = Math.min(this.length, this.frames - which * this.length);
      const sounds = {};
      for (const { part } of this.index.sound.stems) {
        const sound = await this.context.decodeAudioData(bytesOf(this.sources[part][which]));
        sounds[part] = Array.from({ length: sound.numberOfChannels }, (_, c) => {
          const exact = new Float32Array(length);
          exact.set(sound.getChannelData(c).subarray(before, before + length));
          return exact;
        });
      }
      this.there.add(which);
      this.tell({ block: which, sounds });
    } finally {
      this.coming.delete(which);
    }
  }

  _hear(report) {
    if (report.answered < this.asked) return;
    if (report.playing) {
      this.place.position = report.position;
      this._fetch();
    }
    this.onReport(report);
  }

  async _connect(load) {
    if (this.context.audioWorklet) {
      // A page that was opened from a disk may not load modules from blob addresses, but may from data addresses.
      const source = encodeURIComponent(document.getElementById("tape-source").textContent);
      await this.context.audioWorklet.addModule(`data:text/javascript,${source}`);
      const node = new AudioWorkletNode(this.context, "tape", { numberOfInputs: 0, outputChannelCount: [2] });
      node.port.onmessage = ({ data }) => this._hear(data);
      node.connect(this.context.destination);
      this.tell = (message) => {
        const buffers = message.sounds ? Object.values(message.sounds).flat().map((channel) => channel.buffer) : [];
        node.port.postMessage(message, buffers);
      };
      this.tell({ load });
      return;
    }
    const tape = makeTape(this.rate, load);
    const guard = new Guard(this.rate);
    const node = this.context.createScriptProcessor(FALLBACK_BLOCK, 0, 2);
    node.onaudioprocess = ({ outputBuffer }) => {
      const [left, right] = [outputBuffer.getChannelData(0), outputBuffer.getChannelData(1)];
      tape.render(left, right, left.length);
      guard.process(left, right, left.length);
      this._hear(report(tape));
    };
    node.connect(this.context.destination);
    this.tell = (message) => command(tape, message);
  }
}
