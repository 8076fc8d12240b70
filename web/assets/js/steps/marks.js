// What to note for the next night: one field at a time while setting up, all of
// them once the night's result stands.

import { h } from "../dom.js";
import { NumberField, readAll } from "../fields.js";
import { mark, tonight } from "../notes.js";
import { words } from "../words.js";

/** @typedef {"scale_deg"|"bearing_deg"} Reading */

/**
 * A field that keeps one reading as soon as it is left.
 * @param {Reading} key
 * @param {string} label
 * @param {string} hint
 */
export function markField(key, label, hint) {
  const field = new NumberField(key, label, hint);
  const note = h("p", { class: "form-note", role: "status" });
  const root = h("div", { class: "card mark" }, field.root, note);
  field.input.addEventListener("change", async () => {
    const values = readAll([field], note);
    if (!values) return;
    const problem = await mark({ ...tonight(), [key]: values[key] });
    note.textContent = problem === null ? words.kept : problem ?? words.unreachable;
  });
  return {
    root,
    /** @param {boolean} shown @param {boolean} operate */
    update(shown, operate) {
      root.hidden = !shown || !operate;
      if (document.activeElement !== field.input && field.get() !== tonight()[key]) field.put(tonight()[key]);
    },
  };
}

/** All marks of the night, to be kept with its result. */
export class MarksForm {
  /** @param {HTMLElement} root */
  constructor(root) {
    const w = words.marks;
    this.root = root;
    this.scale = new NumberField("scale_deg", w.scale);
    this.bearing = new NumberField("bearing_deg", w.bearing);
    this.words = h("textarea", { id: "f-words", rows: 2, maxlength: 400 });
    this.note = h("p", { class: "form-note", role: "status" });
    const form = h("form", { novalidate: true },
      h("h2", {}, w.title), h("p", { class: "sub" }, w.why),
      h("div", { class: "fields" }, this.scale.root, this.bearing.root,
        h("div", { class: "field" }, h("label", { for: "f-words" }, w.words), this.words)),
      h("div", { class: "row" }, h("button", { type: "submit" }, w.keep), this.note));
    form.addEventListener("submit", (e) => { e.preventDefault(); this.save(); });
    root.append(form);
  }

  /** @param {boolean} shown */
  render(shown) {
    if (this.root.hidden === !shown) return;
    this.root.hidden = !shown;
    if (!shown) return;
    const m = tonight();
    this.scale.put(m.scale_deg);
    this.bearing.put(m.bearing_deg);
    this.words.value = m.words ?? "";
    this.note.textContent = "";
  }

  async save() {
    const values = readAll([this.scale, this.bearing], this.note);
    if (!values) return;
    const problem = await mark({ ...values, words: this.words.value.trim() || undefined });
    this.note.textContent = problem === null ? words.kept : problem ?? words.unreachable;
  }
}
