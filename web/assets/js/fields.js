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

/**
 * An angle as people write it: 40.95, 40,95, 40 57 28 N, 40°57'28", 40.9N, W 3 42.
 * Undefined when there is nothing, NaN when it is none. An S behind seconds is south, unless d
 * and m mark the parts before it; two decimals are no angle, but a latitude and a longitude.
 * @param {string} text
 * @param {string} plus the letter of the positive side, such as N
 * @param {string} minus
 * @returns {number|undefined}
 */
export function parseAngle(text, plus, minus) {
  const t = text.trim().toUpperCase().replaceAll("−", "-").replace(/(\d),(\d)/g, "$1.$2").replace(/(\dM\s*\d+(?:\.\d*)?)S/, '$1"');
  if (t === "") return undefined;
  const m = /^([+-])?\s*([A-Z])?\s*([+-])?\s*(\d+(?:\.\d*)?)\s*(?:[°ºD:\s]\s*(\d+(?:\.\d*)?)\s*(?:['′’:M\s]\s*(?:(\d+(?:\.\d*)?)\s*(?:"|″|”|''|′′)?)?)?)?\s*[°º'′’"″”D]?\s*([A-Z])?$/.exec(t);
  if (!m || /M\s*[\d.]+\s+S$/.test(t)) return NaN;
  const [, sign1, before, sign2, deg, min = "0", sec = "0", after] = m;
  const letter = before ?? after;
  if (before && after || sign1 && sign2 || letter && ![plus, minus].includes(letter) || letter && (sign1 ?? sign2) === "-") return NaN;
  if (Number(min) >= 60 || Number(sec) >= 60 || m[5] && deg.includes(".") || m[6] && min.includes(".")) return NaN;
  const size = Number(deg) + Number(min) / 60 + Number(sec) / 3600;
  return letter === minus || (sign1 ?? sign2) === "-" ? -size : size;
}

/**
 * What stands in fields, to tell whether it was changed.
 * @param {NumberField[]} fields
 */
export function typed(fields) {
  return JSON.stringify(fields.map((f) => f.input.value.trim()));
}

export class AngleField extends NumberField {
  /**
   * @param {string} name
   * @param {string} label
   * @param {string} hint
   * @param {string} plus
   * @param {string} minus
   */
  constructor(name, label, hint, plus, minus) {
    super(name, label, hint);
    this.plus = plus;
    this.minus = minus;
  }

  get() {
    const n = parseAngle(this.input.value, this.plus, this.minus);
    if (Number.isNaN(n)) this.input.setAttribute("aria-invalid", "true");
    else this.input.removeAttribute("aria-invalid");
    return n;
  }
}
