/*
 * The loop: its switch, the phrases that were found, and the loops that the player keeps by name.
 */

class Loops {
  /**
   * @param index of the practice folder
   * @param {Picture} picture whose handles show the loop
   * @param {Memory} memory
   * @param {{onLoop: (loop: number[] | null) => void, onSeek: (s: number) => void, now: () => number}} given
   */
  constructor(index, picture, memory, given) {
    this.index = index;
    this.picture = picture;
    this.memory = memory;
    this.given = given;
    this.on = document.getElementById("loop-on");
    this.select = document.getElementById("phrases");
    this.kept = memory.get("loops", []).filter((loop) => [loop?.start_s, loop?.end_s].every(Number.isFinite));
    this._list();
    const last = memory.get("loop", []);
    if (last.length === 2 && last.every(Number.isFinite)) picture.setLoop(last);
    this.on.checked = memory.get("loop on", false);
    this.on.addEventListener("change", () => this.tell());
    this.select.addEventListener("change", () => this._choose());
    const name = document.getElementById("loop-name");
    document.getElementById("keep-loop").addEventListener("click", () => this._keep(name.value));
    document.getElementById("forget-loop").addEventListener("click", () => this._forget());
  }

  /** The loop is now that of the handles, and on. */
  moved() {
    this.on.checked = true;
    this.select.value = "";
    this._mayForget();
    this.tell();
  }

  /** Put an edge, 0 or 1, where the sound is. */
  setEdge(which) {
    const loop = [...this.picture.loop];
    loop[which] = this.picture.snap(this.given.now());
    if (loop[1] <= loop[0]) loop[1 - which] = which === 0 ? this.index.seconds : 0;
    this.picture.setLoop(loop);
    this.moved();
  }

  tell() {
    const on = this.on.checked;
    this.picture.setOn(on);
    this.memory.set("loop", this.picture.loop);
    this.memory.set("loop on", on);
    this.given.onLoop(on ? this.picture.loop : null);
  }

  get _all() {
    return [...this.index.loops, ...this.kept];
  }

  _list() {
    this.select.replaceChildren(new Option("choose", ""));
    this._all.forEach((loop, i) => this.select.append(new Option(loop.name, String(i))));
    this._mayForget();
  }

  _mayForget() {
    const { value } = this.select;
    document.getElementById("forget-loop").disabled = value === "" || Number(value) < this.index.loops.length;
  }

  _choose() {
    this._mayForget();
    const loop = this.select.value === "" ? undefined : this._all[this.select.value];
    if (!loop) return;
    document.getElementById("loop-name").value = Number(this.select.value) < this.index.loops.length ? "" : loop.name;
    this.picture.setLoop([loop.start_s, loop.end_s]);
    this.on.checked = true;
    this.tell();
    this.given.onSeek(loop.start_s);
  }

  /** Keep the loop by a name; one that has the name already is replaced. */
  _keep(name) {
    const [start_s, end_s] = this.picture.loop;
    name = name.trim() || `${start_s.toFixed(1)} to ${end_s.toFixed(1)} s`;
    this.kept = [...this.kept.filter((loop) => loop.name !== name), { name, start_s, end_s }];
    this.memory.set("loops", this.kept);
    this._list();
    this.select.value = String(this._all.length - 1);
    this.on.checked = true;
    this._mayForget();
    this.tell();
  }

  _forget() {
    const which = Number(this.select.value) - this.index.loops.length;
    this.kept = this.kept.filter((_, i) => i !== which);
    this.memory.set("loops", this.kept);
    document.getElementById("loop-name").value = "";
    this._list();
  }
}
