/*
 * Keys of the keyboard, and of pedals, which send those that turn a page.
 */

class Keys {
  /**
   * @param {[string, string, string, () => void][]} keys the key, as shown, what it does, and how
   * @param {Memory} memory
   */
  constructor(keys, memory) {
    this.keys = keys;
    this.single = document.getElementById("single-keys");
    this.single.checked = memory.get("single keys", true);
    this.single.addEventListener("change", () => memory.set("single keys", this.single.checked));
    for (const [, shown, does] of keys) {
      const [term, meaning] = ["dt", "dd"].map((kind) => document.createElement(kind));
      term.textContent = shown;
      meaning.textContent = does;
      document.getElementById("keys").append(term, meaning);
    }
    document.addEventListener("keydown", (event) => this._press(event));
  }

  _press(event) {
    if (event.ctrlKey || event.altKey || event.metaKey || event.repeat) return;
    const { target, key } = event;
    if (target.matches("input[type=text], input[type=number], select")) return;
    if (target.matches("input[type=range]") && !["PageUp", "PageDown"].includes(key) && key.length > 1) return;
    if (key === " " && target.matches("button, input[type=checkbox], summary")) return;
    // Who speaks to the device, or rests a hand on it, can switch single characters off (WCAG 2.2, 2.1.4).
    if (key.length === 1 && key !== " " && !this.single.checked) return;
    const found = this.keys.find(([each]) => each === key || each === key.toLowerCase());
    if (!found) return;
    event.preventDefault();
    found[3]();
  }
}
