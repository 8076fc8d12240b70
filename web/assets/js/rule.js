// The two rules: a straight measuring rule for each bolt, standing for the
// altitude, lying for the azimuth. A slot in the middle is the pole with the
// tolerance, a pointer is the axis, a bar under the pointer its uncertainty,
// chevrons show the way to go. The scale is fixed, so that one place on the
// rule always means one distance: linear in the slot, logarithmic outside.

import { h } from "./dom.js";
import { angle } from "./format.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").Num} Num */

/** Where each pointer last stood, so that it glides on from there. @type {Map<string, number>} */
const stood = new Map();

// The rule ends at 30 degrees, beyond what bolts can do; a mount put down by
// compass and latitude scale is well within it (common practice: a few
// degrees).
const endArcmin = 1800;
const ticks = [1, 3, 10, 30, 60, 180, 600];
const labelled = new Set([1, 10, 60, 600]);

/**
 * Place on the rule, 0 to 1, of an offset.
 * @param {number} arcmin
 * @param {number} gateArcmin
 */
export function place(arcmin, gateArcmin) {
  const knee = gateArcmin / 2;
  const x = Math.asinh(arcmin / knee) / Math.asinh(endArcmin / knee);
  return 0.5 + 0.5 * Math.max(-1, Math.min(1, x));
}

/**
 * @param {object} o
 * @param {"altitude"|"azimuth"} o.bolt
 * @param {Num} o.offset arcminutes: up, or towards growing azimuth
 * @param {Num} o.spread arcseconds, one standard deviation
 * @param {Num} o.gate arcminutes
 * @param {boolean} o.south the person faces south
 * @param {boolean} o.way whether to show the way to go
 */
export function rule({ bolt, offset, spread, gate, south, way }) {
  const w = words.rule;
  const g = gate && gate > 0 ? gate : 1;
  const lo = place(-g, g), hi = place(g, g);
  const marks = [];
  for (const t of ticks) {
    if (place(t, g) < hi + 0.03) continue;
    for (const s of [-1, 1]) {
      marks.push(h("span", { class: labelled.has(t) ? "tick long" : "tick", "--at": place(s * t, g) },
        labelled.has(t) && h("span", { class: t === 60 ? "tick-label middle" : "tick-label" }, tickLabel(t))));
    }
  }
  const ends = bolt === "altitude" ? [w.down, w.up] : south ? [w.east, w.west] : [w.west, w.east];
  const parts = [
    h("span", { class: "rule-end low" }, ends[0]),
    h("span", { class: "rule-end high" }, ends[1]),
    h("div", { class: "rule-body" }, marks),
    h("div", { class: "slot", "--from": lo, "--to": hi }, h("span", {}, w.pole)),
  ];
  let label = "";
  if (offset !== null) {
    const at = place(offset, g);
    const sd = (spread ?? 0) / 60;
    if (way && (at < lo || at > hi)) {
      const [from, to] = at < lo ? [at, lo] : [hi, at];
      parts.push(h("div", { class: at < lo ? "way forward" : "way back", "--from": from, "--to": to },
        Array.from({ length: 14 }, () => h("i"))));
    }
    parts.push(h("div", { class: "doubt", "--from": place(offset - sd, g), "--to": place(offset + sd, g) }));
    const pointer = h("div", { class: "pointer", "--at": stood.get(bolt) ?? at });
    parts.push(pointer);
    requestAnimationFrame(() => pointer.style.setProperty("--at", String(at)));
    stood.set(bolt, at);
    label = w.label(bolt, angle(offset), w.sides[bolt][offset < 0 ? 0 : 1], angle(g));
  }
  return h("div", { class: `rule ${bolt === "altitude" ? "standing" : "lying"}`, role: "img", "aria-label": label }, parts);
}

/** @param {number} arcmin */
function tickLabel(arcmin) {
  return arcmin < 60 ? `${arcmin}′` : `${arcmin / 60}°`;
}
