// The panel in which the place and the tolerance are set.

import { h } from "./dom.js";
import { send } from "./link.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

const fields = /** @type {const} */ ([
  ["lat_deg", "lat", "latHint"],
  ["lon_deg", "lon", "lonHint"],
  ["elevation_m", "elevation", null],
  ["pressure_hpa", "pressure", "pressureHint"],
  ["temperature_c", "temperature", "temperatureHint"],
]);

export class SetupPanel {
  /** @param {HTMLDialogElement} root */
  constructor(root) {
    const w = words.setupPanel;
    this.root = root;
    /** @type {Record<string, HTMLInputElement>} */
    this.inputs = {};
    this.pole = h("select", { id: "f-pole" },
      Object.entries(w.poleNames).map(([v, name]) => h("option", { value: v }, name)));
    this.note = h("p", { class: "setup-note", role: "status" });
    const over = h("button", { type: "button", class: "quiet wide" }, words.button.startOver);
    over.addEventListener("click", () => this.startOver(over));
    const form = h("form", { novalidate: true },
      h("h3", {}, w.place),
      h("div", { class: "fields" },
        fields.map(([key, name, hint]) => this.field(key, w[name], hint && w[hint])),
        h("div", { class: "field" }, h("label", { for: "f-pole" }, w.pole), this.pole)),
      h("div", { class: "fields" }, this.field("tolerance_arcmin", w.tolerance, w.toleranceHint)),
      h("div", { class: "row" }, h("button", { type: "submit", class: "strong" }, w.save), this.note));
    form.addEventListener("submit", (e) => { e.preventDefault(); this.save(); });
    root.append(
      h("div", { class: "panel-head" }, h("h2", {}, w.title),
        h("button", { type: "button", class: "quiet", onclick: () => root.close() }, w.close)),
      form,
      h("h3", {}, w.cautions), h("ul", { class: "cautions" }, w.cautionList.map((c) => h("li", {}, c))),
      h("h3", {}, w.again), over);
  }

  /**
   * @param {string} key
   * @param {string} label
   * @param {string|null} hint
   */
  field(key, label, hint) {
    const id = `f-${key}`;
    const input = h("input", {
      id, name: key, type: "text", inputmode: "text", autocomplete: "off",
      "aria-describedby": hint ? `${id}-hint` : null,
    });
    this.inputs[key] = input;
    return h("div", { class: "field" }, h("label", { for: id }, label), input,
      hint && h("p", { class: "hint", id: `${id}-hint` }, hint));
  }

  /** @param {State|null} state */
  open(state) {
    this.note.textContent = "";
    const site = /** @type {Record<string, any>} */ (state?.site ?? {});
    for (const [key] of fields) this.put(key, site[key]);
    this.put("tolerance_arcmin", state?.tolerance_arcmin);
    if (state?.pole) this.pole.value = state.pole.kind;
    this.root.showModal();
    this.inputs.lat_deg.focus();
  }

  /**
   * @param {string} key
   * @param {number|null|undefined} value
   */
  put(key, value) {
    this.inputs[key].removeAttribute("aria-invalid");
    this.inputs[key].value = value === null || value === undefined ? "" : String(Math.round(value * 1e6) / 1e6);
  }

  /**
   * The number in a field: undefined when empty, NaN when it is none. Comma
   * and minus sign as people write them.
   * @param {string} key
   */
  number(key) {
    const input = this.inputs[key];
    const text = input.value.trim().replace(",", ".").replace("−", "-");
    const n = text === "" ? undefined : Number(text);
    input.toggleAttribute("aria-invalid", Number.isNaN(n));
    if (Number.isNaN(n)) input.setAttribute("aria-invalid", "true");
    return n;
  }

  async save() {
    const w = words.setupPanel;
    /** @type {Record<string, any>} */
    const site = { pole: this.pole.value };
    for (const [key] of fields) site[key] = this.number(key);
    const tolerance = this.number("tolerance_arcmin");
    if ([...Object.values(site), tolerance].some((v) => Number.isNaN(v))) {
      this.note.textContent = w.notNumber;
      /** @type {HTMLElement|null} */ (this.root.querySelector("[aria-invalid]"))?.focus();
      return;
    }
    let problem = await send("site", site);
    if (problem === null && tolerance !== undefined) problem = await send("tolerance", { arcmin: tolerance });
    this.note.textContent = problem === null ? w.saved : problem ?? words.unreachable;
    if (problem === null) this.root.close();
  }

  /**
   * Asks by a second press: a browser's own question would be a white box in
   * the night.
   * @param {HTMLButtonElement} button
   */
  async startOver(button) {
    const w = words.button;
    if (button.textContent !== w.startOverSure) {
      button.textContent = w.startOverSure;
      setTimeout(() => { button.textContent = w.startOver; }, 4000);
      return;
    }
    button.textContent = w.startOver;
    const problem = await send("event", { event: "start_over" });
    if (problem === null) this.root.close();
    else this.note.textContent = problem ?? words.unreachable;
  }
}
