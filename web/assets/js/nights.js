// The axis over the nights: its distance from the pole with one standard deviation
// either way, a night a mark, by date.

import { svg } from "./dom.js";
import { angle } from "./format.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

const wide = 320, high = 140, left = 50, foot = 24, head = 10;

/**
 * @param {State} state
 * @returns {SVGElement|null} null when there are too few nights to compare
 */
export function nightsChart(state) {
  const watch = state.watch;
  if (!watch) return null;
  const all = (watch.nights ?? []).map((n) => ({ at: Date.parse(n.until_utc), v: n.offset.total_arcmin, s: n.uncertainty_arcsec }));
  if (watch.offset && watch.until_utc) {
    const u = watch.uncertainty;
    all.push({ at: Date.parse(watch.until_utc), v: watch.offset.total_arcmin, s: u ? Math.max(u.alt_arcsec ?? 0, u.az_arcsec ?? 0) : null });
  }
  const nights = all.flatMap(({ at, v, s }) => (typeof v === "number" && Number.isFinite(at) ? [{ at, v, s: (s ?? 0) / 60 }] : []));
  if (nights.length < 2) return null;
  const first = nights[0].at, last = nights[nights.length - 1].at;
  const tolerance = state.tolerance_arcmin ?? 0;
  const top = 1.1 * Math.max(tolerance, ...nights.map((n) => n.v + n.s));
  const x = (/** @type {number} */ at) => left + 8 + ((wide - left - 16) * (at - first)) / Math.max(1, last - first);
  const y = (/** @type {number} */ v) => head + (high - head - foot) * (1 - Math.max(0, v) / top);
  const newest = nights[nights.length - 1];
  const chart = svg("svg", {
    viewBox: `0 0 ${wide} ${high}`, class: "nights", role: "img",
    "aria-label": words.watched.chart(nights.length, angle(nights[0].v), angle(newest.v)),
  });
  chart.append(
    svg("line", { class: "axis", x1: left, y1: y(0), x2: wide, y2: y(0) }),
    svg("line", { class: "limit", x1: left, y1: y(tolerance), x2: wide, y2: y(tolerance) }),
    svg("text", { x: left - 4, y: y(0), "text-anchor": "end" }, "0"),
    svg("text", { x: left - 4, y: y(tolerance) + 4, "text-anchor": "end" }, angle(tolerance)),
    svg("text", { x: left, y: high - 6 }, day(first)),
    svg("text", { x: wide, y: high - 6, "text-anchor": "end" }, day(last)),
  );
  for (const n of nights) {
    chart.append(
      svg("line", { class: "spread", x1: x(n.at), y1: y(n.v - n.s), x2: x(n.at), y2: y(n.v + n.s) }),
      svg("circle", { cx: x(n.at), cy: y(n.v), r: 3 }),
    );
  }
  return chart;
}

/** @param {number} at */
function day(at) {
  return new Date(at).toLocaleDateString(undefined, { month: "short", day: "numeric" });
}
