// Keeps the screen from going dark where the browser lets a page do that (W3C Screen Wake Lock: secure pages only).
const awake = {
  lock: null,
  words: "",

  async ask() {
    if (document.visibilityState !== "visible" || (awake.lock && !awake.lock.released)) return;
    try {
      awake.lock = await navigator.wakeLock.request("screen");
      awake.words = "";
    } catch {
      awake.words = "this screen may go dark: set its time-out to never";
    }
  },
};
document.addEventListener("visibilitychange", () => awake.ask());
