// Fields for numbers, as people write them: a comma will do, and any minus sign.

import { h } from "./dom.js";
import { words } from "./words.js";

let count = 0;

export class NumberField {
  /**
   * @param {string} name
   * @param {string} label
   * @param {string|null} [hint]
   */
  constructor(name, label, hint = null) {
    const id = `f-${name}-${++count}`;
    this.input = h("input", { id, name, type: "text", inputmode: "text", autocomplete: "off",
      "aria-describedby": hint ? `${id}-hint` : null });
    this.root = h("div", { class: "field" }, h("label", { for: id }, label), this.input,
      hint && h("p", { class: "hint", id: `${id}-hint` }, hint));
  }

  /** @param {number|null|undefined} value */
  put(value) {
    this.input.removeAttribute("aria-invalid");
    this.input.value = value === null || value === undefined ? "" : String(Math.round(value * 1e6) / 1e6);
  }

  /** The number: undefined when empty, NaN when it is none. */
  get() {
    const text = this.input.value.trim().replace(",", ".").replace("−", "-");
    const n = text === "" ? undefined : Number(text);
    if (Number.isNaN(n)) this.input.setAttribute("aria-invalid", "true");
    else this.input.removeAttribute("aria-invalid");
    return n;
  }
}

/**
 * The numbers of many fields by their names; null, with a note to the person and the
 * focus on the first wrong one, when one is no number.
 * @param {NumberField[]} fields
 * @param {HTMLElement} note
 * @returns {Record<string, number|undefined>|null}
 */
export function readAll(fields, note) {
  const values = fields.map((f) => /** @type {const} */ ([f, f.get()]));
  const wrong = values.find(([, v]) => Number.isNaN(v));
  note.textContent = wrong ? words.notNumber : "";
  wrong?.[0].input.focus();
  return wrong ? null : Object.fromEntries(values.map(([f, v]) => [f.input.name, v]));
}
