/*
 * The picture of the take: where the sound is, and the two handles of the loop.
 */

/** A drag shorter than this is a click, in pixels. */
const DRAG_PX = 8;
/** Shortest loop, in seconds. */
const SHORTEST_LOOP_S = 0.2;

class Picture {
  /**
   * @param picture of the index: file, width, height, rows
   * @param {number} seconds length of the take
   * @param {{beats: number[], onSeek: (s: number) => void, onLoop: (loop: number[]) => void}} given
   */
  constructor(picture, seconds, given) {
    this.picture = picture;
    this.seconds = seconds;
    this.given = given;
    this.sheet = document.getElementById("sheet");
    this.playhead = document.getElementById("playhead");
    this.handles = [document.getElementById("loop-start"), document.getElementById("loop-end")];
    this.loop = [0, seconds];
    this.snaps = true;
    this.handles.forEach((handle, which) => this._makeHandle(handle, which));
    this._listenToSheet();
    this.setLoop(this.loop);
  }

  /** Show where the sound is. */
  showPosition(time) {
    this._stand(this.playhead, time);
  }

  setLoop([start, end]) {
    start = Math.min(Math.max(start, 0), this.seconds - SHORTEST_LOOP_S);
    end = Math.min(Math.max(end, start + SHORTEST_LOOP_S), this.seconds);
    this.loop = [start, end];
    this.handles.forEach((handle, which) => {
      this._stand(handle, this.loop[which], which === 1);
      handle.setAttribute("aria-valuemin", "0");
      handle.setAttribute("aria-valuemax", this.seconds.toFixed(2));
      handle.setAttribute("aria-valuenow", this.loop[which].toFixed(2));
      handle.setAttribute("aria-valuetext", `${this.loop[which].toFixed(2)} seconds`);
    });
    this._shade();
  }

  /** Whether the loop is on. */
  setOn(on) {
    this.sheet.classList.toggle("off", !on);
  }

  /** The beat next to a time, if handles go to beats. */
  snap(time) {
    const beats = this.given.beats;
    if (!this.snaps || beats.length === 0) return time;
    return beats.reduce((best, beat) => (Math.abs(beat - time) < Math.abs(best - time) ? beat : best), beats[0]);
  }

  /** The row in which a time lies; the end of a loop at a row's end belongs to that row. */
  _row(time, isEnd = false) {
    const rows = this.picture.rows;
    const found = rows.find((row) => time < row.end_s || (isEnd && time <= row.end_s));
    return found ?? rows[rows.length - 1];
  }

  _stand(element, time, isEnd = false) {
    const row = this._row(time, isEnd);
    const { width, height } = this.picture;
    const share = Math.min(Math.max((time - row.start_s) / (row.end_s - row.start_s), 0), 1);
    element.style.left = `${(100 * (row.left + share * (row.right - row.left))) / width}%`;
    element.style.top = `${(100 * row.top) / height}%`;
    element.style.height = `${(100 * (row.bottom - row.top)) / height}%`;
  }

  _shade() {
    for (const old of this.sheet.querySelectorAll(".stretch")) old.remove();
    const { width, height, rows } = this.picture;
    for (const row of rows) {
      const from = Math.max(this.loop[0], row.start_s);
      const to = Math.min(this.loop[1], row.end_s);
      if (to <= from) continue;
      const x = (time) => row.left + ((time - row.start_s) / (row.end_s - row.start_s)) * (row.right - row.left);
      const stretch = document.createElement("div");
      stretch.className = "stretch";
      stretch.style.left = `${(100 * x(from)) / width}%`;
      stretch.style.width = `${(100 * (x(to) - x(from))) / width}%`;
      stretch.style.top = `${(100 * row.top) / height}%`;
      stretch.style.height = `${(100 * (row.bottom - row.top)) / height}%`;
      this.sheet.append(stretch);
    }
  }

  /** The time at a point of the screen. */
  _timeAt(event) {
    const box = this.sheet.getBoundingClientRect();
    const x = ((event.clientX - box.left) / box.width) * this.picture.width;
    const y = ((event.clientY - box.top) / box.height) * this.picture.height;
    const away = (row) => Math.max(row.top - y, y - row.bottom, 0);
    const row = this.picture.rows.reduce((best, other) => (away(other) < away(best) ? other : best));
    const share = Math.min(Math.max((x - row.left) / (row.right - row.left), 0), 1);
    return Math.min(row.start_s + share * (row.end_s - row.start_s), this.seconds);
  }

  _move(which, time) {
    const loop = [...this.loop];
    loop[which] = time;
    if (loop[1] - loop[0] < SHORTEST_LOOP_S) loop[1 - which] = time + (which === 0 ? 1 : -1) * SHORTEST_LOOP_S;
    this.setLoop(loop);
    this.given.onLoop(this.loop);
  }

  _makeHandle(handle, which) {
    handle.addEventListener("pointerdown", (event) => {
      event.stopPropagation();
      handle.setPointerCapture(event.pointerId);
    });
    handle.addEventListener("pointermove", (event) => {
      if (handle.hasPointerCapture(event.pointerId)) this._move(which, this.snap(this._timeAt(event)));
    });
    handle.addEventListener("keydown", (event) => {
      const way = { ArrowLeft: -1, ArrowDown: -1, ArrowRight: 1, ArrowUp: 1 }[event.key];
      if (!way) return;
      event.preventDefault();
      event.stopPropagation();
      const now = this.loop[which];
      const beats = this.given.beats;
      const beyond = way > 0 ? beats.find((beat) => beat > now + 0.01) : beats.findLast((beat) => beat < now - 0.01);
      this._move(which, this.snaps && beyond !== undefined ? beyond : now + 0.1 * way);
    });
  }

  /** A click goes there, a drag marks a loop. */
  _listenToSheet() {
    let from = null;
    this.sheet.addEventListener("pointerdown", (event) => {
      from = { x: event.clientX, y: event.clientY, time: this._timeAt(event) };
    });
    this.sheet.addEventListener("pointerup", (event) => {
      if (from === null) return;
      const time = this._timeAt(event);
      if (Math.hypot(event.clientX - from.x, event.clientY - from.y) < DRAG_PX) this.given.onSeek(time);
      else {
        this.setLoop([from.time, time].sort((a, b) => a - b).map((each) => this.snap(each)));
        this.given.onLoop(this.loop);
      }
      from = null;
    });
    this.sheet.addEventListener("pointercancel", () => (from = null));
  }
}
