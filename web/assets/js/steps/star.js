// The pole star by eye: where it stands against the pole, as seen with the
// naked eye, in an upright and an inverting finder, and in a mirrored eyepiece.

import { h, svg } from "../dom.js";
import { NumberField, readAll, typed } from "../fields.js";
import { angle, dialTime, number, time } from "../format.js";
import { keep, note } from "../notes.js";
import { words } from "../words.js";
import { away, drawing, label, line } from "./draw.js";

/** @typedef {import("./view.js").Context} Context */
/** @typedef {import("../setupdata.js").PoleStar} PoleStar */
/** @typedef {import("../setupdata.js").SetupData} SetupData */

// Lower than this, in degrees, haze, trees or hills may hide a star (common practice).
const easilyHidden = 10;

/** @param {string} name of a star, as the service has it */
const called = (name) => words.setup.star.names[name] ?? name;

export class StarStep {
  constructor() {
    const w = words.setup.star;
    this.key = "star";
    this.fields = [new NumberField("telescope_mm", w.telescope), new NumberField("eyepiece_mm", w.eyepiece),
      new NumberField("apparent_field_deg", w.apparent, w.apparentHint), new NumberField("field_stop_mm", w.stop, w.stopHint)];
    this.note = h("p", { class: "form-note", role: "status" });
    this.views = h("div", { class: "star-views" });
    this.numbers = h("div");
    const form = h("form", { novalidate: true },
      h("h2", {}, w.eyepieceTitle), h("div", { class: "fields" }, this.fields.map((f) => f.root)),
      h("div", { class: "row" }, h("button", { type: "submit" }, w.work), this.note));
    form.addEventListener("submit", (e) => { e.preventDefault(); this.save(); });
    this.extra = h("div", { class: "step-extra" }, this.views, h("div", { class: "card" }, form), this.numbers);
    /** @type {Context|null} */
    this.ctx = null;
    this.filled = false;
    this.drawn = "";
    this.began = typed(this.fields);
  }

  unsaved() {
    return typed(this.fields) !== this.began;
  }

  /** @param {Context} ctx */
  update(ctx) {
    this.ctx = ctx;
    const kept = note("eyepiece");
    if (!this.filled && kept) {
      this.filled = true;
      for (const f of this.fields) f.put(kept[f.input.name]);
      this.began = typed(this.fields);
    }
    const key = JSON.stringify(ctx.setup?.pole_stars ?? null) + JSON.stringify(ctx.setup?.eyepiece ?? null);
    if (!ctx.setup || this.drawn === key) return;
    this.drawn = key;
    this.views.replaceChildren(...views(ctx.setup));
    this.numbers.replaceChildren(numbers(ctx.setup));
  }

  async save() {
    const values = readAll(this.fields, this.note);
    if (!values || !this.ctx) return false;
    const problem = await keep("eyepiece", values);
    this.note.textContent = problem === null ? "" : problem ?? words.unreachable;
    this.began = typed(this.fields);
    const setup = await this.ctx.refresh();
    if (!setup) this.note.textContent = words.setup.star.notAField;
    return Boolean(setup);
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ setup, south }) {
    const w = words.setup.star, low = words.setup.mounts;
    if (!setup) return { head: words.setup.needsPlace, lines: [] };
    const star = setup.pole_stars[0], from = standing(setup, star);
    const eye = star.views[0];
    const e = setup.eyepiece;
    return {
      head: w.head(called(star.name), w.dial(...dialTime(eye.clock_hours))), figure: angle(from.distance_arcmin), unit: words.fromPole,
      lines: [
        w.centred(angle(from.distance_arcmin)),
        ...(star.seen.alt_deg < 0 ? [low.starDown] : star.seen.alt_deg < easilyHidden ? [low.starLow(number(star.seen.alt_deg, 1, "°"))] : []),
        ...(e ? [(e.holds_pole_star ? w.inside : w.outside)(angle(e.true_field_arcmin), number(e.magnification, 0), called(star.name))] : []),
        south ? w.faint : w.turns,
      ],
      drawing: dial(eye.clock_hours),
      more: [w.optional],
    };
  }
}

/** @param {number} hours */
function dialText(hours) {
  return words.setup.star.dial(...dialTime(hours));
}

/**
 * A clock's face whose hand points from the pole to the star.
 * @param {number} hours
 */
function dial(hours) {
  const size = 180, c = size / 2, bearing = hours * 30;
  const marks = Array.from({ length: 12 }, (_, i) => {
    const [x1, y1] = away(c, c, i * 30, i % 3 ? 76 : 70), [x2, y2] = away(c, c, i * 30, 82);
    return line(x1, y1, x2, y2, i % 3 ? "d-line" : "d-thick");
  });
  const [x, y] = away(c, c, bearing, 58);
  return drawing(size, size, words.setup.star.dialDrawn(dialText(hours)), [
    svg("circle", { cx: c, cy: c, r: 86, class: "d-line" }), ...marks,
    line(c, c, x, y, "d-thick"), svg("circle", { cx: c, cy: c, r: 5, class: "d-ink" }), svg("circle", { cx: x, cy: y, r: 10, class: "d-star" }),
  ]);
}

/** @param {SetupData} setup @param {PoleStar} star */
function standing(setup, star) {
  return setup.pole.kind === "true" ? star.from_true_pole : star.from_refracted_pole;
}

/** @param {SetupData} setup */
function views(setup) {
  const w = words.setup.star;
  const field = setup.eyepiece?.true_field_arcmin ?? 0;
  const farthest = Math.max(...setup.pole_stars.map((s) => standing(setup, s).distance_arcmin));
  // A field so wide that star and pole would merge in it is told in words only.
  const drawn = field < 16 * farthest ? field : 0;
  const half = (/** @type {number} */ i) => Math.max(1.25 * farthest, i === 0 ? 0 : 0.55 * drawn);
  return setup.pole_stars[0].views.map((v, i) => h("figure", { class: "card" },
    h("figcaption", {}, h("b", {}, w.through[v.through] ?? v.through), " · ", w.clock(dialText(v.clock_hours))),
    oneView(setup, i, half(i), i === 0 ? 0 : drawn)));
}

/**
 * @param {SetupData} setup
 * @param {number} which of the views
 * @param {number} half half the width of the drawing, arcminutes
 * @param {number} field the eyepiece's true field, 0 for none
 */
function oneView(setup, which, half, field) {
  const w = words.setup.star;
  const size = 220, middle = size / 2, px = middle / half;
  const eye = which === 0;
  const parts = [];
  if (field > 0) parts.push(svg("circle", { cx: middle, cy: middle, r: (field / 2) * px, class: "d-dashed" }));
  if (eye) parts.push(line(14, size - 14, size - 14, size - 14, "d-thick"), label(middle, size - 20, w.horizon));
  // The pole: a plumb bob's point, hanging from above.
  parts.push(svg("path", { d: `M${middle} ${middle}l-6 -11h12z`, class: "d-ink" }), label(middle - 10, middle - 6, w.pole, "end"));
  const first = setup.pole_stars[0].views[which];
  setup.pole_stars.forEach((star, i) => {
    const v = star.views[which];
    const x = middle + v.right_arcmin * px, y = middle - v.up_arcmin * px;
    if (i === 0) parts.push(line(middle, middle, x, y, "d-dash"));
    parts.push(svg("circle", { cx: x, cy: y, r: Math.max(3, 8.5 - star.magnitude_v), class: i === 0 ? "d-star" : "d-ink" }));
    if (setup.pole_stars.length > 1 || i === 0) {
      const left = x > middle;
      parts.push(label(x + (left ? -12 : 12), y + 5, w.starNames[star.name] ?? called(star.name), left ? "end" : "start"));
    }
  });
  return drawing(size, size, w.drawn(w.through[first.through] ?? first.through, dialText(first.clock_hours), field > 0 ? angle(field) : ""), parts);
}

/** @param {SetupData} setup */
function numbers(setup) {
  const w = words.setup.star;
  return h("details", { class: "card" }, h("summary", {}, w.numbers(time(setup.time_utc))), h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": w.numbersLabel }, h("table", {},
    h("thead", {}, h("tr", {}, w.columns.map((c) => h("th", { scope: "col" }, c)))),
    h("tbody", {}, setup.pole_stars.map((s) => h("tr", {}, h("th", { scope: "row" }, called(s.name)),
      h("td", {}, number(s.hour_angle_deg / 15, 2, " h")),
      h("td", {}, angle(s.from_refracted_pole.distance_arcmin)), h("td", {}, number(s.from_refracted_pole.position_angle_deg, 1, "°")),
      h("td", {}, angle(s.from_true_pole.distance_arcmin)), h("td", {}, number(s.from_true_pole.position_angle_deg, 1, "°"))))))));
}
