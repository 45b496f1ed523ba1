/*
 * The player: unpacks the stems, starts the tape in the audio thread, and passes on what it reports.
 */

/** Above this peak, in dB, the sum of what the faders raise is held down: a guard for ears and for the converter. */
const GUARD_DB = -3;
/** Frames a block where there is no audio thread for scripts (pages that come over plain http). */
const FALLBACK_BLOCK = 2048;

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
   */
  constructor(index, onReport) {
    this.index = index;
    this.onReport = onReport;
    /** Tells the tape; see worklet.js for what it understands. Before it is loaded nothing listens. */
    this.tell = () => {};
    this.context = new AudioContext({ latencyHint: "interactive" });
    this.rate = this.context.sampleRate;
    this.guard = new DynamicsCompressorNode(this.context, { threshold: GUARD_DB, knee: 0, ratio: 20, attack: 0.001, release: 0.1 });
    this.guard.connect(this.context.destination);
  }

  /** Decode the stems and make the tape; resolves when it can play. */
  async load() {
    const { index, rate } = this;
    const onsets = {
      bass: index.bass_notes.map((note) => note.onset_s),
      guitar: index.guitar_notes.map((note) => note.onset_s),
    };
    const stems = [];
    for (const element of document.querySelectorAll("script[data-stem]")) {
      const name = element.dataset.stem;
      const sound = await this.context.decodeAudioData(bytesOf(element));
      element.remove(); // its memory is needed no more
      const channels = [];
      for (let c = 0; c < sound.numberOfChannels; c++) channels.push(sound.getChannelData(c).slice());
      const at = [...new Set(onsets[name].map((time) => Math.round(time * rate)))].sort((a, b) => a - b);
      stems.push({ name, channels, onsets: at });
    }
    const frames = Math.round(index.seconds * rate);
    for (const stem of stems) {
      stem.channels = stem.channels.map((channel) => {
        const exact = new Float32Array(frames);
        exact.set(channel.subarray(0, frames));
        return exact;
      });
    }
    const beats = index.beats.map(([time, , beat]) => ({ at: Math.round(time * rate), accent: beat === 1 }));
    await this._connect({ stems, beats });
  }

  async play() {
    await this.context.resume();
    this.tell({ play: true });
  }

  async _connect(load) {
    if (this.context.audioWorklet) {
      // A page that was opened from a disk may not load modules from blob addresses, but may from data addresses.
      const source = encodeURIComponent(document.getElementById("tape-source").textContent);
      await this.context.audioWorklet.addModule(`data:text/javascript,${source}`);
      const node = new AudioWorkletNode(this.context, "tape", { numberOfInputs: 0, outputChannelCount: [2] });
      node.port.onmessage = ({ data }) => this.onReport(data);
      node.connect(this.guard);
      this.tell = (message) => node.port.postMessage(message);
      const buffers = load.stems.flatMap((stem) => stem.channels.map((channel) => channel.buffer));
      node.port.postMessage({ load }, buffers);
      return;
    }
    const tape = new Tape(this.rate, load.stems, load.beats);
    const node = this.context.createScriptProcessor(FALLBACK_BLOCK, 0, 2);
    node.onaudioprocess = ({ outputBuffer }) => {
      tape.render(outputBuffer.getChannelData(0), outputBuffer.getChannelData(1), outputBuffer.length);
      this.onReport(report(tape));
    };
    node.connect(this.guard);
    this.tell = (message) => command(tape, message);
  }
}
