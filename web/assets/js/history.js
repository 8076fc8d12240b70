// The error over the time of this session, by every frame that told it: logarithmic, so that
// the last arcminute shows as well as the first degree.

import { h, svg } from "./dom.js";
import { angle, time } from "./format.js";
import { words } from "./words.js";

const wide = 340, high = 150, left = 50, foot = 22, head = 8;

/**
 * @param {import("./types.js").State} state
 * @returns {Node[]|null} null while there is nothing to compare
 */
export function history(state) {
  const read = (state.frames ?? []).flatMap((f) => (f.status === "adjusts" && f.mid_utc && typeof f.total_arcmin === "number" ? [{ at: Date.parse(f.mid_utc), v: Math.max(f.total_arcmin, 0.01) }] : []));
  if (read.length < 2) return null;
  const tolerance = Math.max(state.tolerance_arcmin ?? 1, 0.01);
  const low = Math.log(Math.min(tolerance, ...read.map((r) => r.v)) / 1.5), top = Math.log(Math.max(tolerance, ...read.map((r) => r.v)) * 1.3);
  const first = read[0].at, last = read[read.length - 1].at;
  const x = (/** @type {number} */ at) => left + 6 + ((wide - left - 12) * (at - first)) / Math.max(1, last - first);
  const y = (/** @type {number} */ v) => head + ((high - head - foot) * (top - Math.log(v))) / (top - low);
  const chart = svg("svg", { viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": words.history.chart(read.length, angle(read[0].v), angle(read[read.length - 1].v)) });
  for (const v of [0.1, 1, 10, 60, 600]) {
    if (Math.log(v) < low || Math.log(v) > top || Math.abs(y(v) - y(tolerance)) < 14) continue;
    chart.append(svg("line", { x1: left, y1: y(v), x2: wide, y2: y(v) }), svg("text", { x: left - 4, y: y(v) + 4, "text-anchor": "end" }, angle(v)));
  }
  const newest = read[read.length - 1];
  chart.append(
    svg("line", { class: "limit", x1: left, y1: y(tolerance), x2: wide, y2: y(tolerance) }),
    svg("text", { x: left - 4, y: y(tolerance) + 4, "text-anchor": "end" }, angle(tolerance)),
    svg("polyline", { points: read.map((r) => `${x(r.at).toFixed(1)},${y(r.v).toFixed(1)}`).join(" ") }),
    svg("circle", { cx: x(newest.at), cy: y(newest.v), r: 4 }),
    svg("text", { x: left, y: high - 4 }, time(new Date(first).toISOString())),
    svg("text", { x: wide, y: high - 4, "text-anchor": "end" }, time(new Date(last).toISOString())));
  return [h("h2", {}, words.history.title), chart];
}
