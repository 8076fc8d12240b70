// The planned use: the tolerance follows from it, and is what "done" means.

import { h, setText } from "../dom.js";
import { NumberField, readAll } from "../fields.js";
import { angle, number, sentenceLike } from "../format.js";
import { send } from "../link.js";
import { keep, note } from "../notes.js";
import { sentence } from "../sentences.js";
import { words } from "../words.js";

/** @typedef {import("./view.js").Context} Context */

export class PlanStep {
  constructor() {
    const w = words.setup.plan;
    this.key = "plan";
    const field = (/** @type {string} */ key, /** @type {string} */ name, /** @type {string|null} */ hint = null) => new NumberField(key, name, hint);
    this.fields = [field("focal_mm", w.focal), field("pixel_um", w.pixel), field("width_px", w.width), field("height_px", w.height),
      field("exposure_s", w.exposure), field("dec_deg", w.dec, w.decHint),
      field("ha_from_deg", w.from, w.hourHint), field("ha_to_deg", w.to), field("limit_px", w.limit, w.limitHint)];
    this.guided = h("input", { type: "checkbox", id: "f-guided" });
    this.guide = field("guide_offset_arcmin", w.guide);
    this.guided.addEventListener("change", () => { this.guide.root.hidden = !this.guided.checked; });
    this.tolerance = field("tolerance_arcmin", words.setup.tolerance, words.setup.toleranceHint);
    this.note = h("p", { class: "form-note", role: "status" });
    this.note2 = h("p", { class: "form-note", role: "status" });
    // Of the camera in use nothing is filled in: it may be the guide camera.
    this.camera = h("p", { class: "hint" });
    this.form = h("form", { class: "card", novalidate: true },
      h("h2", {}, w.camera), this.camera, h("div", { class: "fields" }, this.fields.slice(0, 4).map((f) => f.root)),
      h("h2", {}, w.what), h("div", { class: "fields" }, this.fields.slice(4).map((f) => f.root)),
      h("div", { class: "check" }, this.guided, h("label", { for: "f-guided" }, w.guided)), this.guide.root,
      h("div", { class: "row" }, h("button", { type: "submit", class: "strong" }, w.work), this.note));
    this.form.addEventListener("submit", (e) => { e.preventDefault(); this.save(); });
    this.began = "";
    const plain = h("form", { class: "card", novalidate: true }, h("h2", {}, w.orTyped), this.tolerance.root,
      h("div", { class: "row" }, h("button", { type: "submit" }, w.keep), this.note2));
    plain.addEventListener("submit", (e) => { e.preventDefault(); this.saveTolerance(); });
    this.extra = h("div", { class: "step-extra" }, this.form, plain);
    this.filled = false;
  }

  /** @param {Context} ctx */
  update(ctx) {
    this.extra.hidden = !ctx.operate;
    const p = ctx.state?.plan;
    setText(this.camera, !p?.planned && p?.focal_mm && p.pixel_um ? words.setup.plan.ofFrames(number(p.focal_mm, 0), number(p.pixel_um, 2)) : words.setup.plan.sameCamera);
    if (this.filled || !ctx.state) return;
    this.filled = true;
    // Before a plan is made, what is not known of it is null: the usual stands in.
    const usual = { limit_px: 1, ha_from_deg: -45, ha_to_deg: 45 };
    const from = /** @type {Record<string, any>} */ (p?.planned ? p : { ...usual, ...note("plan") });
    for (const f of [...this.fields, this.guide]) f.put(from[f.input.name]);
    this.guided.checked = Boolean(from.guided);
    this.guide.root.hidden = !this.guided.checked;
    this.tolerance.put(ctx.state.tolerance_arcmin);
    this.began = this.typed();
  }

  /** What is typed of the plan, to tell whether it was changed. */
  typed() {
    return JSON.stringify([...this.fields, this.guide].map((f) => f.input.value.trim()).concat(String(this.guided.checked)));
  }

  unsaved() {
    return this.filled && this.typed() !== this.began;
  }

  async save() {
    const values = readAll(this.guided.checked ? [...this.fields, this.guide] : this.fields, this.note);
    if (!values) return false;
    const order = { ...values, guided: this.guided.checked };
    const problem = await send("plan", { ...order, apply_tolerance: true });
    this.note.textContent = problem === null ? words.kept : sentenceLike(problem ?? words.unreachable);
    if (problem !== null) return false;
    this.began = this.typed();
    await keep("plan", order);
    return true;
  }

  async saveTolerance() {
    const values = readAll([this.tolerance], this.note2);
    if (values?.tolerance_arcmin === undefined) return;
    const problem = await send("tolerance", { arcmin: values.tolerance_arcmin });
    this.note2.textContent = problem === null ? words.kept : problem ?? words.unreachable;
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ state }) {
    const w = words.setup.plan;
    const p = state?.plan;
    const head = p?.planned ? w.head : w.ask;
    const total = state?.now?.offset.total_arcmin;
    const stands = total === null || total === undefined ? w.notYet : (p?.good_enough ? w.standsGood : w.standsFar)(angle(total));
    const lines = p?.problem ? [sentence(p.problem.said, p.problem.message)] : p?.planned ? [stands] : [w.why];
    const more = p?.planned && !p.problem ? (p.sentences ?? []).map((s, i) => sentence(p.said?.[i], s)) : [];
    return { head, more, figure: state?.tolerance_arcmin ? angle(state.tolerance_arcmin) : null, unit: w.unit, lines };
  }
}

/**
 * What the error means for the planned exposures, in one line; empty without a
 * plan or before the axis is known.
 * @param {import("../types.js").Plan|undefined} p
 */
export function planLine(p) {
  const w = words.planned;
  if (!p?.planned || p.trail_px === null) return "";
  const trail = w.trail(number(p.trail_px, 1), number(p.exposure_s, p.exposure_s !== null && p.exposure_s < 10 ? 1 : 0));
  if (p.good_enough) return `${trail} ${w.good}`;
  return `${trail} ${p.longest_exposure_s ? w.longest(number(p.longest_exposure_s, p.longest_exposure_s < 10 ? 1 : 0)) : w.tooFar}`;
}
