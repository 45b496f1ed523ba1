/*
 * The tape in the browser's audio thread, told by messages what to do; it tells where it is.
 */

/** Blocks of 128 frames between two reports: about 21 ms at 48 kHz. */
const REPORT_BLOCKS = 8;

/** Make a tape whose sound is still to come. */
function makeTape(rate, { frames, length, stems, beats }) {
  const empty = stems.map((stem) => ({ ...stem, sound: new Blocks(frames, stem.channels, length) }));
  return new Tape(rate, empty, beats);
}

/** Do what a message asks of the tape. */
function command(tape, message) {
  if ("block" in message) for (const stem of tape.stems) stem.sound.put(message.block, message.sounds[stem.name]);
  if ("keep" in message) for (const stem of tape.stems) stem.sound.keep(message.keep);
  if ("speed" in message) tape.speed = message.speed;
  if ("ladder" in message) tape.ladder = message.ladder;
  if ("loop" in message) tape.loop = message.loop;
  if ("beats" in message) tape.setBeats(message.beats);
  if ("countIn" in message) tape.countInBeats = message.countIn;
  if ("gains" in message) {
    for (const stem of tape.stems) stem.target = message.gains[stem.name];
    tape.click.target = message.gains.click;
  }
  if ("seek" in message) tape.seek(message.seek);
  if ("play" in message) {
    if (message.play) tape.play();
    else tape.stop();
  }
  if ("request" in message) tape.answered = message.request;
}

/** What the page is to show. */
function report(tape) {
  const levels = { click: tape.click.level };
  for (const stem of tape.stems) levels[stem.name] = stem.level;
  const { answered, position, playing, speed, passes, lead, waiting } = tape;
  return { answered, position, playing, speed, passes, counting: lead > 0, waiting, levels };
}

if (typeof registerProcessor === "function") {
  registerProcessor(
    "tape",
    class extends AudioWorkletProcessor {
      constructor() {
        super();
        this.tape = null;
        this.guard = new Guard(sampleRate);
        this.blocks = 0;
        this.port.onmessage = ({ data }) => {
          if (data.load) this.tape = makeTape(sampleRate, data.load);
          else if (this.tape) command(this.tape, data);
        };
      }

      process(_inputs, [[left, right]]) {
        if (!this.tape) return true;
        this.tape.render(left, right, left.length);
        this.guard.process(left, right, left.length);
        if (++this.blocks % REPORT_BLOCKS === 0) this.port.postMessage(report(this.tape));
        return true;
      }
    },
  );
}
