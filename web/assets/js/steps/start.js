// The starting position, seen from the side: from the west in the north, so that
// the pole's side is on the right, and the other way round in the south.

import { svg } from "../dom.js";
import { number } from "../format.js";
import { words } from "../words.js";
import { away, drawing, label, line, strip } from "./draw.js";

/** @typedef {import("./view.js").Context} Context */

export class StartStep {
  constructor() {
    this.key = "start";
  }

  update() {}

  /** @param {Context} ctx @returns {import("./view.js").Shown} */
  show({ sheet, south }) {
    const w = words.setup.start;
    if (!sheet) return { head: words.setup.needsPlace, lines: [] };
    return {
      head: w.head, lines: w.lines, cautions: [w.watch],
      drawing: mount(south, sheet.latitude_scale.set_deg),
      more: sheet.steps.starting_position,
    };
  }
}

/**
 * @param {boolean} south
 * @param {number} altitude of the pole, degrees
 */
export function mount(south, altitude) {
  const w = words.setup.start;
  const x = 132, y = 158, bearing = 90 - altitude;
  const [dx, dy] = away(x, y, bearing, 62); // where the declination axis crosses
  const [fx, fy] = away(dx, dy, bearing, 104);
  const [tx, ty] = away(dx, dy, bearing - 90, 30); // the tube rides on top
  const [bx, by] = away(tx, ty, bearing + 180, 48); // its ground end
  const [wx, wy] = away(dx, dy, bearing + 90, 66);
  const arc = 152;
  const [ex, ey] = away(x, y, bearing, arc);
  const [sx, sy] = [x + arc, y];
  const [nx, ny] = away(x, y, 90 - altitude / 2, arc + 8); // the number, outside the arc
  return drawing(344, 250, w.drawn(number(altitude, 1, "°"), south), [
    line(8, 238, 336, 238, "d-line"),
    // Legs: one towards the pole, two behind each other.
    line(x, y + 12, x + 62, 238, "d-leg"), line(x, y + 12, x - 52, 238, "d-leg"), line(x, y + 12, x - 30, 238, "d-leg"),
    line(x, y, 300, y, "d-hair"),
    line(dx, dy, fx, fy, "d-dash"),
    svg("path", { d: `M${sx} ${sy}A${arc} ${arc} 0 0 0 ${ex} ${ey}`, class: "d-arc" }),
    strip(x, y + 6, bearing, 74, 26, "d-body"),
    strip(dx, dy, bearing + 90, 74, 7, "d-ink"),
    strip(wx, wy, bearing + 90, 20, 34, "d-ink"),
    strip(dx, dy, bearing - 90, 26, 20, "d-ink"),
    strip(bx, by, bearing, 122, 30, "d-rule"),
    label(338, y + 6, south ? w.south : w.north, "end", "d-big"),
    label(fx + 7, Math.max(16, fy + 4), w.pole, "start", "d-big"),
    label(nx, ny + 5, number(altitude, 1, "°"), "start", "d-big"),
    label(Math.min(wx + 14, 250), Math.min(wy + 36, 232), w.weight, "start"),
    label(Math.max(34, bx - 12), Math.max(14, by - 26), w.tube, "end"),
  ]);
}
