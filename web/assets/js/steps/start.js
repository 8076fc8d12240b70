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
  show({ setup, south }) {
    if (!setup) return { head: words.setup.needsPlace, lines: [] };
    const w = words.setup.start, other = words.setup.mounts;
    const { set_deg: altitude, low } = setup.latitude_scale;
    const more = setup.steps.starting_position;
    const aim = low ? [other.low(number(altitude, 1, "°"))] : [];
    if (setup.mount === "german") {
      return { head: w.head, lines: low ? [w.lines[0], ...aim] : w.lines, cautions: [w.watch], drawing: mount(setup.mount, south, altitude), more };
    }
    const own = other[setup.mount].start;
    return { head: own.head, lines: [...own.lines(number(90 - altitude, 1, "°")), ...(setup.mount === "fork" ? aim : [])], cautions: [own.watch],
      drawing: mount(setup.mount, south, altitude), more };
  }
}

/**
 * How a mount stands for the first frame.
 * @param {string} kind german, fork or tracker
 * @param {boolean} south
 * @param {number} altitude of the pole, degrees
 */
export function mount(kind, south, altitude) {
  return (kind === "fork" ? fork : kind === "tracker" ? tracker : german)(south, altitude);
}

// An axis lower than this and the horizon cannot be told apart in the drawing, degrees.
const leastDrawn = 6;
// Below this the shaft swings between two legs towards the pole (mountmodel/setup/ground.go).
const shaftLow = 20;

/**
 * Where the axis meets the tripod: higher where the shaft hangs straight down.
 * @param {number} altitude
 */
const foot = (altitude) => [132, altitude < leastDrawn ? 122 : 158];
const arc = 152;

/**
 * A mount from the side: the ground, the tripod, the axis and how high it stands, around the
 * parts that are a kind's own.
 * @param {boolean} south
 * @param {number} altitude of the pole, degrees
 * @param {string} drawn what it shows, in words
 * @param {[number, number]} pole where the axis leaves the parts, to be continued
 * @param {(SVGElement|false)[]} parts
 * @param {1|-1} toPole -1: the single leg stands away from the pole
 */
function fromTheSide(south, altitude, drawn, [px, py], parts, toPole = 1) {
  const w = words.setup.start;
  const bearing = 90 - altitude;
  const [x, y] = foot(altitude);
  const [fx, fy] = away(px, py, bearing, 104);
  const [ex, ey] = away(x, y, bearing, arc);
  const [nx, ny] = away(x, y, 90 - altitude / 2, arc + 8); // the number, outside the arc
  const high = altitude >= leastDrawn;
  return drawing(344, 250, drawn, [
    line(8, 238, 336, 238, "d-line"),
    // Legs: one towards the pole, or away from it, two behind each other.
    ...[62, -52, -30].map((out) => line(x, y + 12, x + toPole * out, 238, "d-leg")),
    high && line(x, y, 300, y, "d-hair"),
    line(px, py, fx, fy, "d-dash"),
    high && svg("path", { d: `M${x + arc} ${y}A${arc} ${arc} 0 0 0 ${ex} ${ey}`, class: "d-arc" }),
    ...parts,
    label(338, high ? y + 6 : y + 52, south ? w.south : w.north, "end", "d-big"),
    label(Math.min(fx + 7, 338), Math.max(16, fy + (high ? 4 : -24)), w.pole, high ? "start" : "end", "d-big"),
    label(high ? nx : 338, high ? ny + 5 : y + 26, number(altitude, 1, "°"), high ? "start" : "end", "d-big"),
  ]);
}

/**
 * @param {boolean} south
 * @param {number} altitude
 */
function german(south, altitude) {
  const w = words.setup.start;
  const bearing = 90 - altitude;
  const [x, y] = foot(altitude);
  const [dx, dy] = away(x, y, bearing, 62); // where the declination axis crosses
  const [tx, ty] = away(dx, dy, bearing - 90, 30); // the tube rides on top
  const [bx, by] = away(tx, ty, bearing + 180, 48); // its ground end
  const [wx, wy] = away(dx, dy, bearing + 90, 66);
  return fromTheSide(south, altitude, w.drawn(number(altitude, 1, "°"), south), [dx, dy], [
    strip(x, y + 6, bearing, 74, 26, "d-body"),
    strip(dx, dy, bearing + 90, 74, 7, "d-ink"),
    strip(wx, wy, bearing + 90, 20, 34, "d-ink"),
    strip(dx, dy, bearing - 90, 26, 20, "d-ink"),
    strip(bx, by, bearing, 122, 30, "d-rule"),
    label(Math.min(wx + 14, 250), Math.min(wy + 36, 232), w.weight, "start"),
    label(Math.max(34, bx - 12), Math.max(14, by - 26), w.tube, "end"),
  ], altitude < shaftLow ? -1 : 1);
}

/**
 * @param {boolean} south
 * @param {number} altitude
 */
function fork(south, altitude) {
  const w = words.setup.mounts.fork.start;
  const bearing = 90 - altitude;
  const [x, y] = foot(altitude);
  const [ax, ay] = away(x, y, bearing, 34); // the foot of the arms
  const [dx, dy] = away(ax, ay, bearing, 78); // the declination axis
  const [bx, by] = away(dx, dy, bearing + 180, 46); // the tube's ground end
  const [lx, ly] = away(ax, ay, bearing + 90, 30);
  return fromTheSide(south, altitude, w.drawn(number(altitude, 1, "°"), south), away(dx, dy, bearing, 62), [
    strip(x, y + 6, bearing, 36, 42, "d-body"),
    strip(bx, by, bearing, 108, 34, "d-rule"),
    strip(ax, ay, bearing, 88, 12, "d-ink"),
    label(lx + 6, Math.min(ly + 14, 232), w.arms, "start"),
    label(Math.max(34, bx - 20), Math.max(14, by - 22), words.setup.start.tube, "end"),
  ]);
}

/**
 * @param {boolean} south
 * @param {number} altitude
 */
function tracker(south, altitude) {
  const w = words.setup.mounts.tracker.start;
  const bearing = 90 - altitude, looks = bearing - 55;
  const [x, y] = foot(altitude);
  const [ax, ay] = away(x, y, bearing, 44); // the end of the drive
  const [hx, hy] = away(ax, ay, bearing, 16); // the ball
  const [cx, cy] = away(hx, hy, looks + 180, 16); // the camera's back
  const [lx, ly] = away(x, y, bearing + 90, 34);
  return fromTheSide(south, altitude, w.drawn(number(altitude, 1, "°"), south), away(hx, hy, bearing, 30), [
    strip(x, y + 6, bearing, 46, 34, "d-body"),
    strip(ax, ay, bearing, 18, 12, "d-ink"),
    strip(cx, cy, looks, 26, 44, "d-rule"), strip(cx, cy, looks, 62, 24, "d-rule"),
    label(lx + 8, Math.min(ly + 12, 232), w.arms, "start"),
  ]);
}
