// Balance: the order of the trade, and a calculator for where the weight goes.

import { h, svg } from "../dom.js";
import { NumberField, readAll, typed } from "../fields.js";
import { number } from "../format.js";
import { ask } from "../link.js";
import { keep, note } from "../notes.js";
import { words } from "../words.js";
import { drawing, label, line } from "./draw.js";

/** @typedef {import("./view.js").Context} Context */
/**
 * @typedef {object} Balance
 * @property {number} tube_kg
 * @property {{verdict: string, wanted_mm?: number, at_mm?: number, left_over_kg_mm: number, left_over_newton_m: number, least_kg?: number}} right_ascension
 * @property {{verdict: string, shift_mm: number, left_over_newton_m: number, side_newton_m: number}} declination
 */

// A tube, what is on it, and a weight that stays: enough for what a person carries.
const partRows = 4;

export class BalanceStep {
  constructor() {
    const w = words.setup.balance;
    this.key = "balance";
    /** @type {NumberField[][]} */
    this.parts = Array.from({ length: partRows }, (_, i) => [
      new NumberField(`kg${i}`, w.kg), new NumberField(`shaft${i}`, w.shaftMm), new NumberField(`tube${i}`, w.tubeMm)]);
    const shaft = (/** @type {string} */ key, /** @type {string} */ name) => new NumberField(key, name);
    this.shaft = [shaft("sliding_kg", w.sliding), shaft("nearest_mm", w.nearest), shaft("farthest_mm", w.farthest),
      shaft("shaft_kg", w.shaftKg), shaft("fixed_kg", w.fixedKg), shaft("fixed_mm", w.fixedMm), shaft("saddle_mm", w.saddle)];
    this.note = h("p", { class: "form-note", role: "status" });
    this.result = h("div", { class: "balance-result", "aria-live": "polite" });
    const form = h("form", { class: "card", novalidate: true },
      h("h2", {}, w.title), h("p", { class: "sub" }, w.law),
      this.parts.map((row, i) => h("fieldset", { class: "part-row" }, h("legend", {}, w.partNames[i]), row.map((f) => f.root))),
      h("fieldset", {}, h("legend", {}, w.shaftTitle), h("div", { class: "fields" }, this.shaft.map((f) => f.root))),
      h("div", { class: "row" }, h("button", { type: "submit" }, w.work), this.note),
      this.result);
    form.addEventListener("submit", (e) => { e.preventDefault(); this.work(true); });
    this.extra = h("div", { class: "step-extra" }, form);
    this.filled = false;
    this.operate = false;
    this.all = [...this.parts.flat(), ...this.shaft];
    this.began = typed(this.all);
  }

  unsaved() {
    return typed(this.all) !== this.began;
  }

  save() {
    return this.work(true);
  }

  /** @param {Context} ctx */
  update(ctx) {
    this.operate = ctx.operate;
    this.extra.hidden = (ctx.setup?.mount ?? "german") !== "german"; // it works out where a shaft's weight goes
    const kept = note("balance");
    if (this.filled || !kept) return;
    this.filled = true;
    for (const f of this.all) f.put(kept[f.input.name]);
    this.began = typed(this.all);
    this.work(false);
  }

  /** @param {boolean} remember */
  async work(remember) {
    const w = words.setup.balance;
    const v = readAll(this.all, this.note);
    if (!v) return false;
    const rig = {
      parts: this.parts.map((_, i) => ({ name: w.partNames[i], kg: v[`kg${i}`] ?? 0, shaft_mm: v[`shaft${i}`] ?? 0, tube_mm: v[`tube${i}`] ?? 0 }))
        .filter((p) => p.kg > 0),
      weights: v.fixed_kg ? [{ kg: v.fixed_kg, at_mm: v.fixed_mm ?? 0 }] : [],
      sliding_kg: v.sliding_kg ?? 0, nearest_mm: v.nearest_mm ?? 0, farthest_mm: v.farthest_mm ?? 0,
      shaft_kg: v.shaft_kg ?? 0, saddle_mm: v.saddle_mm ?? 0,
    };
    const answer = await ofRig(rig);
    if (typeof answer === "string") {
      this.note.textContent = answer;
      this.result.replaceChildren();
      return false;
    }
    this.result.replaceChildren(...told(answer, rig));
    if (!remember || !this.operate) return true;
    this.began = typed(this.all);
    const problem = await keep("balance", v);
    if (problem !== null) this.note.textContent = problem ?? words.unreachable;
    return problem === null;
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ setup }) {
    const w = setup && setup.mount !== "german" ? words.setup.mounts[setup.mount].balance : words.setup.balance;
    return { head: w.head, lines: w.order, cautions: [w.hold], more: setup?.steps.balance };
  }
}

/**
 * @param {object} rig
 * @returns {Promise<Balance|string>}
 */
async function ofRig(rig) {
  try {
    const r = await ask("balance", { method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify(rig) });
    const answer = await r.json();
    return r.ok ? answer : answer?.detail ?? words.unreachable;
  } catch {
    return words.unreachable;
  }
}

// What is not worth loosening a clamp for (common practice): a shift of a
// millimetre, and half a kilogram a centimetre to the side.
const smallShiftMm = 1, smallTorqueNm = 0.05;

/**
 * @param {Balance} b
 * @param {{sliding_kg: number, nearest_mm: number, farthest_mm: number, parts: {kg: number, shaft_mm: number}[]}} rig
 */
function told(b, rig) {
  const w = words.setup.balance;
  const ra = b.right_ascension, dec = b.declination;
  const left = number(Math.abs(ra.left_over_newton_m), 2);
  const mm = (/** @type {number|undefined} */ v) => number(v, 0);
  let first = "";
  switch (ra.verdict) {
    case "balanced": first = rig.sliding_kg > 0 ? w.goes(mm(ra.at_mm)) : w.already; break;
    case "shaft too short": first = w.short(mm(ra.wanted_mm), mm(rig.farthest_mm), left, number(ra.least_kg, 1)); break;
    case "weights too heavy": first = w.heavy(left); break;
    default: first = w.noWeight(left, ra.least_kg ? number(ra.least_kg, 1) : "");
  }
  const shift = mm(Math.abs(dec.shift_mm)), end = dec.shift_mm < 0 ? w.ground : w.sky;
  const second = dec.verdict === "saddle too short" ? w.saddleShort(shift, end, number(Math.abs(dec.left_over_newton_m), 2))
    : Math.abs(dec.shift_mm) < smallShiftMm ? w.decFine : w.shift(shift, end);
  const sideways = Math.abs(dec.side_newton_m) >= smallTorqueNm;
  return [
    h("p", { class: "big" }, first), lever(b, rig), h("p", { class: "big" }, second),
    ...(sideways ? [h("p", { class: "sub" }, w.sideways(number(Math.abs(dec.side_newton_m), 2)))] : []),
    h("p", { class: "sub" }, w.then),
  ];
}

/**
 * The lever: the axis as its fulcrum, the tube's parts on the left, the shaft with the
 * weight on the right, lengths to scale.
 * @param {Balance} b
 * @param {{sliding_kg: number, nearest_mm: number, farthest_mm: number, parts: {kg: number, shaft_mm: number}[]}} rig
 */
function lever(b, rig) {
  const w = words.setup.balance;
  const at = b.right_ascension.at_mm ?? 0;
  const leftMm = Math.max(60, ...rig.parts.map((p) => p.shaft_mm)), rightMm = Math.max(60, rig.farthest_mm, at);
  const scale = 240 / (leftMm + rightMm), x = 30 + leftMm * scale, y = 78;
  const size = (/** @type {number} */ kg) => Math.max(10, 13 * Math.cbrt(kg));
  const block = (/** @type {number} */ mm, /** @type {number} */ kg, /** @type {string} */ cls) =>
    svg("rect", { x: x + mm * scale - size(kg) / 2, y: y - size(kg) / 2, width: size(kg), height: size(kg), rx: 2, class: cls });
  return drawing(300, 140, w.drawn(number(at, 0)), [
    line(x - leftMm * scale, y, x + rightMm * scale, y, "d-line"),
    rig.farthest_mm > 0 && line(x + rig.nearest_mm * scale, y, x + rig.farthest_mm * scale, y, "d-thick"),
    svg("path", { d: `M${x} ${y}l-13 26h26z`, class: "d-ink" }),
    ...rig.parts.map((p) => block(-p.shaft_mm, p.kg, "d-body")),
    rig.sliding_kg > 0 && block(at, rig.sliding_kg, "d-rule"),
    rig.sliding_kg > 0 && label(x + at * scale, 34, `${number(at, 0)} mm`, "middle", "d-big"),
    label(x, y + 44, w.axis), label(x - (leftMm * scale) / 2, 132, w.tubeSide), label(x + (rightMm * scale) / 2, 132, w.weightSide),
  ]);
}
