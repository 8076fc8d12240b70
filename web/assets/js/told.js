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
    this.asked = h("div", { class: "told-asked" });
    /** What the session asked for by the newest frame: it asks no more once a turn is told. */
    this.key = "";
    root.append(this.asked, h("details", {}, h("summary", {}, h("h2", {}, w.title)),
      h("p", { class: "sub" }, w.why),
      h("div", { class: "told-sizes", role: "group", "aria-label": w.unit }, this.sizes),
      h("div", { class: "told-bolts" }, bolt("altitude"), bolt("azimuth"))), this.note);
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
    const name = w.turns.find(([n]) => n === this.turns)?.[1] ?? String(this.turns);
    await this.send(bolt, sign * this.turns, w.kept(words.bolt[bolt].toLowerCase(), name, sign > 0 ? w.clockwise : w.anticlockwise));
  }

  /**
   * Tells a turn; true when it was taken.
   * @param {string} bolt
   * @param {number} turns
   * @param {string} kept what to say then
   */
  async send(bolt, turns, kept) {
    const problem = await send("turned", { bolt, turns });
    if (problem !== null) {
      this.complain(problem ?? words.unreachable);
      return false;
    }
    this.note.textContent = kept;
    return true;
  }

  /**
   * @param {boolean} shown
   * @param {import("./types.js").State} state
   */
  render(shown, state) {
    this.root.hidden = !shown;
    if (!shown) this.note.textContent = "";
    const frame = state.latest?.id ?? 0, strokes = (shown && state.strokes) || [];
    if (!strokes.length && this.key.startsWith(`${frame} `) && shown) return; // both bolts can be told
    const key = `${frame} ${strokes.map((s) => `${s.bolt} ${s.turn_deg}`)}`;
    if (key === this.key) return;
    this.key = key;
    this.asked.replaceChildren(...strokes.map((s) => {
      const name = words.bolt[/** @type {"altitude"|"azimuth"} */ (s.bolt)];
      const button = h("button", { type: "button", class: "wide", "data-asked": s.bolt }, words.told.asked(name));
      button.addEventListener("click", async () => {
        button.disabled = true;
        button.disabled = await this.send(s.bolt, (s.turn_deg ?? 0) / 360, words.told.keptAsked(name.toLowerCase()));
      });
      return button;
    }));
  }
}
