"use strict";
/*
 * The tape in the browser's audio thread, told by messages what to do; it tells where it is.
 */

/** Blocks of 128 frames between two reports: about 23 ms at 44.1 kHz. */
const REPORT_BLOCKS = 8;

/** Do what a message asks of the tape. */
function command(tape, message) {
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
}

/** What the page is to show. */
function report(tape) {
  const levels = { click: tape.click.level };
  for (const stem of tape.stems) levels[stem.name] = stem.level;
  const { position, playing, speed, passes, lead } = tape;
  return { position, playing, speed, passes, counting: lead > 0, levels };
}

if (typeof registerProcessor === "function") {
  registerProcessor(
    "tape",
    class extends AudioWorkletProcessor {
      constructor() {
        super();
        this.tape = null;
        this.blocks = 0;
        this.port.onmessage = ({ data }) => {
          if (data.load) this.tape = new Tape(sampleRate, data.load.stems, data.load.beats);
          else if (this.tape) command(this.tape, data);
        };
      }

      process(_inputs, [[left, right]]) {
        if (!this.tape) return true;
        this.tape.render(left, right, left.length);
        if (++this.blocks % REPORT_BLOCKS === 0) this.port.postMessage(report(this.tape));
        return true;
      }
    },
  );
}
