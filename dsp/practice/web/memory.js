/*
 * What the page remembers of a take until it is opened again: on this device, in this browser.
 */

class Memory {
  /** @param index of the practice folder */
  constructor(index) {
    this.key = `practice: ${index.take}, ${index.seconds}`;
    try {
      this.kept = JSON.parse(localStorage.getItem(this.key)) ?? {};
    } catch {
      this.kept = {}; // a browser may keep nothing, or what is kept may be damaged
    }
  }

  /** What was kept by this name, if it is of the kind of ``otherwise``. */
  get(name, otherwise) {
    const value = this.kept[name];
    const same = typeof value === typeof otherwise && Array.isArray(value) === Array.isArray(otherwise);
    return same && value !== null ? value : otherwise;
  }

  set(name, value) {
    this.kept[name] = value;
    try {
      localStorage.setItem(this.key, JSON.stringify(this.kept));
    } catch {
      // it is remembered until the page is closed
    }
  }
}
