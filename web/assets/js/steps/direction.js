// True north or south: by compass, and by day by the shadow of a plumb line.

import { h } from "../dom.js";
import { number, side, time } from "../format.js";
import { lastTime } from "../notes.js";
import { fetchSetup } from "../setupdata.js";
import { words } from "../words.js";
import { away, drawing, label, line } from "./draw.js";
import { markField } from "./marks.js";

/** @typedef {import("./view.js").Context} Context */
/** @typedef {import("../setupdata.js").SetupData} SetupData */

export class DirectionStep {
  constructor() {
    const w = words.setup.direction;
    this.key = "direction";
    this.when = h("input", { type: "time", id: "f-when" });
    this.when.addEventListener("change", () => this.ask());
    this.shadow = h("div");
    this.sun = h("div", { class: "card" }, h("h2", {}, w.shadowTitle),
      h("p", { class: "sub" }, w.shadowNever),
      h("div", { class: "field" }, h("label", { for: "f-when" }, w.when), this.when), this.shadow);
    this.mark = markField("bearing_deg", w.mark, w.markHint);
    this.extra = h("div", { class: "step-extra" }, this.sun, this.mark.root);
    this.drawn = "";
  }

  /** @param {Context} ctx */
  update(ctx) {
    this.mark.update(Boolean(ctx.setup?.compass), ctx.operate);
    this.sun.hidden = !ctx.setup;
    if (ctx.setup && this.when.value === "") this.draw(ctx.setup);
  }

  /** The shadow at the minute typed in, of today by the browser's clock. */
  async ask() {
    if (this.when.value === "") return;
    const [hours, minutes] = this.when.value.split(":").map(Number);
    const at = new Date();
    at.setHours(hours, minutes, 0, 0);
    const setup = await fetchSetup(at.toISOString());
    if (setup) this.draw(setup);
  }

  /** @param {SetupData} setup */
  draw(setup) {
    const w = words.setup.direction;
    if (this.drawn === setup.time_utc) return;
    this.drawn = setup.time_utc;
    const s = setup.sun.shadow;
    const high = setup.sun.events.find((e) => e.event === "highest");
    const rises = setup.sun.events.find((e) => e.event === "rises");
    const lines = [];
    if (s) {
      lines.push(h("p", { class: "big" }, w.shadowAt(time(s.time_utc), number(s.az_deg, 1, "°"))));
      lines.push(h("p", { class: "sub" }, w.shadowTurns(number(Math.abs(s.turn_deg_per_minute), 2, "°"), number(s.length_per_height, 1))));
      lines.push(shadowDrawing(s.az_deg));
    } else {
      lines.push(h("p", { class: "sub" }, rises ? w.noShadowUntil(time(rises.time_utc)) : w.noShadow));
    }
    if (high) lines.push(h("p", { class: "sub" }, w.highest(time(high.time_utc), (high.shadow_az_deg ?? 0) > 90 ? w.south : w.north)));
    const rows = setup.sun.shadows;
    if (rows.length > 0) {
      lines.push(h("details", {}, h("summary", {}, w.table), h("table", {},
        h("thead", {}, h("tr", {}, w.columns.map((c) => h("th", { scope: "col" }, c)))),
        h("tbody", {}, rows.map((r) => h("tr", {}, h("th", { scope: "row" }, time(r.time_utc)),
          h("td", {}, number(r.az_deg, 1, "°")), h("td", {}, number(r.length_per_height, 2))))))));
    }
    this.shadow.replaceChildren(...lines);
  }

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ setup, south }) {
    const w = words.setup.direction;
    if (!setup) return { head: words.setup.needsPlace, lines: [] };
    const c = setup.compass;
    const last = lastTime("bearing");
    const more = [...setup.steps.compass, ...setup.steps.sun_shadow];
    if (!c || c.use === "none") return { head: w.noCompass, lines: setup.warnings.map((n) => n.message), more };
    return {
      head: w.head[south ? "south" : "north"], figure: number(last?.deg ?? c.bearing_deg, 1, "°"),
      lines: [
        ...(last ? [w.lastTime(number(last.deg, 1, "°"), last.nights), w.true(number(c.bearing_deg, 1, "°"))] : []),
        w.declination(side(c.declination_deg, 1, words.rule.east, words.rule.west), number(c.uncertainty_deg, 1, "°"), c.model),
        w.iron,
        ...setup.warnings.filter((n) => n.code.startsWith("compass")).map((n) => n.message),
      ],
      drawing: tape(c.bearing_deg, c.uncertainty_deg, last?.deg),
      more,
    };
  }
}

/**
 * A piece of the compass's scale, straight, with the reading in its middle.
 * @param {number} bearing
 * @param {number} doubt
 * @param {number} [last] what it should read by earlier nights
 */
function tape(bearing, doubt, last) {
  const w = words.setup.direction;
  const perDegree = 7, middle = 150, half = 21;
  const at = (/** @type {number} */ b) => middle + perDegree * (((b - bearing + 540) % 360) - 180);
  const parts = [line(middle - half * perDegree, 70, middle + half * perDegree, 70, "d-line")];
  for (let b = Math.ceil(bearing - half); b <= bearing + half; b++) {
    const long = b % 10 === 0;
    parts.push(line(at(b), 70, at(b), long ? 44 : b % 5 === 0 ? 54 : 62, "d-line"));
    if (long) parts.push(label(at(b), 36, `${(b + 360) % 360}°`));
  }
  parts.push(line(at(bearing - doubt), 78, at(bearing + doubt), 78, "d-thick"));
  parts.push(label(middle, 96, "▲", "middle", "d-big"), label(middle, 114, number(bearing, 1, "°"), "middle", "d-big"));
  if (last !== undefined && Math.abs(at(last) - middle) < half * perDegree) {
    parts.push(line(at(last), 70, at(last), 86, "d-dash"), label(at(last), 134, w.lastShort));
  }
  return drawing(300, 140, w.drawn(number(bearing, 1, "°")), parts);
}

/** @param {number} az true azimuth of the shadow */
function shadowDrawing(az) {
  const w = words.setup.direction;
  const x = 150, y = 80;
  const [sx, sy] = away(x, y, az, 62);
  const [lx, ly] = away(x, y, az, 74);
  return drawing(300, 166, w.shadowDrawn(number(az, 1, "°")), [
    line(x, 14, x, 146, "d-dash"), label(x + 8, 18, w.n, "start", "d-big"), label(x + 8, 156, w.s, "start", "d-big"),
    line(x, y, sx, sy, "d-thick"),
    label(lx, ly + 5, number(az, 0, "°"), sx < x ? "end" : "start"),
    line(x - 7, y, x + 7, y, "d-line"), line(x, y - 7, x, y + 7, "d-line"), label(x + (sx < x ? 12 : -12), y + 16, w.string, sx < x ? "start" : "end"),
  ]);
}
