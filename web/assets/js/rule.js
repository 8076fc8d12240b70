// The rules: a straight measuring rule for each bolt, standing for the altitude,
// lying for the azimuth. A slot in the middle is the pole with the tolerance, a pointer
// is the axis, a bar under the pointer its uncertainty, small notches where the axis
// stood before, chevrons the way to go. The scale is even; it grows by a step as the axis
// comes near, so that the last arcminute is as easy to see as the first degree.

import { h } from "./dom.js";
import { angle } from "./format.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").Num} Num */

// What each step of the scale shows, in arcminutes either way, with the distance of its
// numbers and of its small ticks. The widest is beyond what bolts can do.
/** @type {[end: number, numbered: number, tick: number][]} */
const scales = [[1800, 600, 300], [600, 300, 60], [180, 60, 30], [60, 20, 10], [20, 10, 5], [6, 2, 1], [2, 1, 0.5], [0.5, 1 / 6, 1 / 12], [1 / 6, 1 / 12, 1 / 60]];
// The slot takes at most this part of the half rule, so that beside it there is something to see.
const widestSlot = 1 / 3;
// Nearer than this part of the next finer scale it is taken: with room, so that a reading
// that strays does not have the scale go to and fro.
const finerBelow = 0.7;

/** @type {Map<string, number>} the scale that each bolt's rule shows */
const shown = new Map();

/**
 * The scale to show an error on, the scale before it given.
 * @param {number} arcmin size of the error
 * @param {number} gate arcminutes
 * @param {number} before index of the scale, -1 for none
 */
export function scaleFor(arcmin, gate, before) {
  let finest = scales.length - 1;
  while (finest > 0 && gate > widestSlot * scales[finest][0]) finest--;
  let best = finest;
  while (best > 0 && arcmin > 0.95 * scales[best][0]) best--;
  if (before < 0 || best <= before) return best;
  let finer = Math.min(before, finest);
  while (finer < best && arcmin < finerBelow * scales[finer + 1][0]) finer++;
  return finer;
}

/**
 * @param {object} o
 * @param {"altitude"|"azimuth"} o.bolt
 * @param {Num} o.offset arcminutes: up, or towards growing azimuth
 * @param {Num[]} o.before offsets of the readings before, oldest first
 * @param {Num} o.spread arcseconds, one standard deviation
 * @param {Num} o.gate arcminutes
 * @param {boolean} o.south the person faces south
 * @param {boolean} o.way whether to show the way to go
 */
export function rule({ bolt, offset, before, spread, gate, south, way }) {
  const w = words.rule;
  const g = gate && gate > 0 ? gate : 1;
  const scale = scaleFor(Math.abs(offset ?? 0), g, shown.get(bolt) ?? -1);
  shown.set(bolt, scale);
  const [end, numbered, tick] = scales[scale];
  const place = (/** @type {number} */ arcmin) => 0.5 + 0.5 * Math.max(-1, Math.min(1, arcmin / end));
  const lo = place(-g), hi = place(g);
  const marks = [];
  for (let n = 1; n * tick < end * 0.999; n++) {
    const t = n * tick;
    if (t < g * 1.05) continue;
    const long = Math.abs(t / numbered - Math.round(t / numbered)) < 1e-6;
    for (const s of [-1, 1]) {
      marks.push(h("span", { class: long ? "tick long" : "tick", "--at": place(s * t) },
        long && place(t) < 0.96 && h("span", { class: t < end / 2 ? "tick-label inner" : "tick-label" }, tickLabel(t))));
    }
  }
  const ends = bolt === "altitude" ? [w.down, w.up] : south ? [w.east, w.west] : [w.west, w.east];
  // Neither the pointer nor the way must lie over the word beside a standing rule.
  const near = offset === null ? "slot" : `slot ${offset > 0 ? "under" : "over"} ${Math.abs(place(offset) - 0.5) > 0.15 ? "" : "apart"}`.trim();
  const parts = [
    h("span", { class: "rule-end low" }, ends[0]),
    h("span", { class: "rule-end high" }, ends[1]),
    h("div", { class: "rule-body", "data-kind": scale }, marks),
    h("div", { class: near, "data-kind": scale, "--from": lo, "--to": hi }, h("span", {}, w.pole)),
  ];
  let label = "";
  if (offset !== null) {
    const at = place(offset);
    const sd = (spread ?? 0) / 60;
    if (way && (at < lo || at > hi)) {
      const [from, to] = at < lo ? [at, lo] : [hi, at];
      parts.push(h("div", { class: at < lo ? "way forward" : "way back", "--from": from, "--to": to, "data-kind": at },
        Array.from({ length: 14 }, () => h("i"))));
    }
    parts.unshift(h("div", { class: "pointer", "--at": at }), h("div", { class: "doubt", "--from": place(offset - sd), "--to": place(offset + sd), "data-kind": sd }));
    // Those beyond the rule's ends would lie on one place, and jump as they age.
    before.forEach((b, i) => { if (b !== null && Math.abs(b) < end) parts.push(h("div", { class: "notch", "--at": place(b), "--seen": (i + 1) / before.length, "data-kind": place(b) })); });
    label = Math.round(Math.abs(offset) * 60) === 0 ? w.right[bolt](angle(g)) : w.label[bolt](angle(offset), offset < 0, angle(g), south);
  }
  for (const p of parts) p.setAttribute("aria-hidden", "true"); // the label says it
  return h("div", { class: `rule ${bolt === "altitude" ? "standing" : "lying"}`, role: "img", "aria-label": label }, parts);
}

/** @param {number} arcmin */
function tickLabel(arcmin) {
  if (arcmin < 1) return `${Math.round(arcmin * 60)}″`;
  return arcmin < 60 ? `${arcmin}′` : `${arcmin / 60}°`;
}
