// Telling which bolt was turned, by how many turns: so the answers of the bolts are
// learnt, and what is to be done is said in turns.

import { h } from "./dom.js";
import { send } from "./link.js";
import { words } from "./words.js";

export class ToldPanel {
  /**
   * @param {HTMLElement} root
   * @param {(text: string) => void} complain
   */
  constructor(root, complain) {
    const w = words.told;
    this.root = root;
    this.complain = complain;
    this.turns = 0.25;
    this.sizes = w.turns.map(([n, name]) => h("button", { type: "button", "aria-pressed": String(n === this.turns),
      "aria-label": `${name} ${w.unit}`, onclick: () => this.size(n) }, name));
    const bolt = (/** @type {"altitude"|"azimuth"} */ b) => h("div", { role: "group", "aria-label": words.bolt[b] },
      h("p", { class: "label" }, words.bolt[b]),
      h("button", { type: "button", "data-told": `${b}+`, onclick: () => this.tell(b, 1) }, w.clockwise),
      h("button", { type: "button", "data-told": `${b}-`, onclick: () => this.tell(b, -1) }, w.anticlockwise));
    this.note = h("p", { class: "form-note", role: "status" });
    root.append(h("details", {}, h("summary", {}, h("h2", {}, w.title)),
      h("p", { class: "sub" }, w.why),
      h("div", { class: "told-sizes", role: "group", "aria-label": w.unit }, this.sizes),
      h("div", { class: "told-bolts" }, bolt("altitude"), bolt("azimuth")), this.note));
  }

  /** @param {number} n */
  size(n) {
    this.turns = n;
    words.told.turns.forEach(([m], i) => this.sizes[i].setAttribute("aria-pressed", String(m === n)));
  }

  /**
   * @param {"altitude"|"azimuth"} bolt
   * @param {number} sign
   */
  async tell(bolt, sign) {
    const w = words.told;
    const problem = await send("turned", { bolt, turns: sign * this.turns });
    if (problem !== null) {
      this.complain(problem ?? words.unreachable);
      return;
    }
    const name = w.turns.find(([n]) => n === this.turns)?.[1] ?? String(this.turns);
    this.note.textContent = w.kept(words.bolt[bolt].toLowerCase(), name, sign > 0 ? w.clockwise : w.anticlockwise);
  }

  /** @param {boolean} shown */
  render(shown) {
    if (!shown) this.note.textContent = "";
    this.root.hidden = !shown;
  }
}
