// The tripod, seen from above: which leg to which side, and how level.

import { h } from "../dom.js";
import { angle, number } from "../format.js";
import { earlier, keep, mark, note, tonight } from "../notes.js";
import { words } from "../words.js";
import { away, drawing, label, line, strip } from "./draw.js";

/** @typedef {import("./view.js").Context} Context */

export class GroundStep {
  constructor() {
    const w = words.setup.ground;
    this.key = "ground";
    this.words = h("textarea", { id: "f-ground", rows: 2, maxlength: 400 });
    this.note = h("p", { class: "form-note", role: "status" });
    this.words.addEventListener("change", async () => {
      const problem = await mark({ ...tonight(), words: this.words.value.trim() || undefined });
      this.note.textContent = problem === null ? words.kept : problem ?? words.unreachable;
    });
    this.kind = h("select", { id: "f-mount" }, Object.entries(words.setup.mounts.names).map(([v, name]) => h("option", { value: v }, name)));
    this.kind.addEventListener("change", async () => {
      const problem = await keep("mount", { kind: this.kind.value });
      this.note.textContent = problem === null ? words.kept : problem ?? words.unreachable;
      await this.ctx?.refresh();
    });
    /** @type {Context|null} */
    this.ctx = null;
    this.extra = h("div", { class: "step-extra" },
      h("div", { class: "card field" }, h("label", { for: "f-mount" }, words.setup.mounts.ask), this.kind),
      h("div", { class: "card mark field" }, h("label", { for: "f-ground" }, w.mark), this.words, this.note));
  }

  /** @param {Context} ctx */
  update(ctx) {
    this.ctx = ctx;
    this.extra.hidden = !ctx.operate;
    if (document.activeElement !== this.kind) this.kind.value = note("mount")?.kind ?? "german";
    if (document.activeElement !== this.words) this.words.value = tonight().words ?? "";
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ setup, south }) {
    const w = words.setup.ground;
    if (!setup) return { head: words.setup.needsPlace, lines: [] };
    const marks = earlier().find((n) => n.marks.words)?.marks.words;
    const c = setup.ground.coupling;
    return {
      head: (setup.ground.shaft_near_leg ? w.between : w.head)[south ? "south" : "north"],
      lines: [
        ...(setup.ground.shaft_near_leg ? [w.shaft] : []),
        ...(marks ? [w.lastTime(marks)] : []),
        w.level(number(setup.ground.level_near_deg, 0, "°")),
        ...(c ? [w.couples(angle(c.altitude_arcmin_per_azimuth_deg), angle(c.east_arcmin_per_altitude_deg))] : []),
      ],
      drawing: tripod(south, setup.ground.leg_azimuths_deg),
      more: setup.steps.ground,
    };
  }
}

/**
 * The pole's side is up on the page, as the person faces it.
 * @param {boolean} south
 * @param {number[]} legs true azimuths, the leg in the meridian first
 */
function tripod(south, legs) {
  const w = words.setup.ground;
  const x = 150, y = 118;
  const turned = (/** @type {number} */ az) => az - (south ? 180 : 0);
  const sides = south ? [w.sides.south, w.sides.west, w.sides.north, w.sides.east] : [w.sides.north, w.sides.east, w.sides.south, w.sides.west];
  return drawing(300, 226, w.drawn(legs.map((a) => number(a, 0, "°"))), [
    line(x, 26, x, 216, "d-hair"), line(22, y, 278, y, "d-hair"),
    ...legs.map((az, i) => strip(x, y, turned(az), 76, 15, i === 0 ? "d-rule" : "d-body")),
    // The mount's head, an oblong that leans towards the pole.
    strip(x, y + 14, 0, 34, 26, "d-ink"),
    ...legs.map((az, i) => {
      const [lx, ly] = away(x, y, turned(az), 94);
      // Beside the line of the meridian, and within the drawing where it points down.
      return label(lx - (i === 0 ? 26 : 0), i === 0 ? Math.min(ly + 24, 200) : ly + 5, number(az, 0, "°"));
    }),
    label(x + 16, 20, sides[0], "start", "d-big"), label(296, y + 6, sides[1], "end", "d-big"),
    label(x + 16, 222, sides[2], "start", "d-big"), label(4, y + 6, sides[3], "start", "d-big"),
  ]);
}
