/*
 * Keeps the screen on while it plays, where the browser can (W3C, Screen Wake Lock API).
 */

class AwakeScreen {
  constructor() {
    this.lock = null;
    this.wanted = false;
    // The browser lets go of it whenever the page is hidden.
    document.addEventListener("visibilitychange", () => this._ask());
  }

  /** @param {boolean} wanted whether it plays */
  keepOn(wanted) {
    if (wanted === this.wanted) return;
    this.wanted = wanted;
    this._ask();
  }

  async _ask() {
    if (!this.wanted) {
      const { lock } = this;
      this.lock = null;
      await lock?.release();
    } else if (document.visibilityState === "visible" && (this.lock === null || this.lock.released)) {
      try {
        this.lock = (await navigator.wakeLock?.request("screen")) ?? null;
      } catch {
        this.lock = null; // a battery that is low, or a browser that may not
      }
    }
  }
}
