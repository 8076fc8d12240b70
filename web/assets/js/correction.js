// What is probably wrong about place or clock, its value without that by one press, and
// the way back.

import { h } from "./dom.js";
import { number } from "./format.js";
import { sentenceLine, sentenceParts } from "./sentences.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

/**
 * A correction of times, as it is added to them.
 * @param {number} aheadS seconds by which they are ahead
 */
function shift(aheadS) {
  const s = Math.round(Math.abs(aheadS)), hours = Math.floor(s / 3600), minutes = Math.floor((s % 3600) / 60);
  const parts = s < 120 ? [`${s} s`] : [hours ? `${hours} h` : "", minutes ? `${minutes} min` : ""];
  return (aheadS > 0 ? "−" : "+") + parts.filter((p) => p).join(" ");
}

/** @param {import("./types.js").Num|undefined} deg */
const degrees = (deg) => number(deg ?? null, 2, "°");

/**
 * What the button says that takes the suggestion over; empty when there is none.
 * @param {State|null} state
 */
export function fixName(state) {
  const s = state?.suggestion, w = words.correction;
  if (!s) return "";
  if (typeof s.ahead_s === "number") return w.times(shift(s.ahead_s));
  return s.mistake === "longitude_sign" ? w.longitude(degrees(s.lon_deg)) : w.place(degrees(s.lat_deg), degrees(s.lon_deg));
}

/**
 * The suggestion, and what was put right; null when there is neither.
 * @param {State} state
 * @param {boolean} operate
 * @returns {Node[]|null}
 */
export function correctionParts(state, operate) {
  const w = words.correction, s = state.suggestion, c = state.corrected;
  if (!s && !c) return null;
  /** @type {Node[]} */
  const out = [h("h2", {}, w.title)];
  if (s) {
    const said = sentenceParts(s.said, s.said.text);
    out.push(h("p", { class: "head" }, said.head), h("p", { class: "sub" }, said.line));
    if (operate) out.push(h("p", { class: "sub" }, w.why));
    // All others stand among the large buttons.
    if (operate && s.mistake === "header_place") out.push(h("button", { type: "button", class: "strong", "data-tell": "correct" }, fixName(state)));
  }
  if (c) {
    const was = [];
    if (typeof c.lon_deg === "number") was.push(w.placed(degrees(c.lat_deg), degrees(c.lon_deg)));
    if (typeof c.ahead_s === "number") was.push(w.timed(shift(c.ahead_s)));
    out.push(...was.map((text) => h("p", { class: "sub" }, text)));
    if (operate) out.push(h("button", { type: "button", class: "quiet", "data-tell": "uncorrect" }, w.undo));
  }
  return out;
}

/**
 * What in the frames speaks for place and clock; empty while it is not known.
 * @param {State|null} state
 */
export function confirmed(state) {
  const c = state?.place_confirmed;
  return c ? sentenceLine(c.said, c.said.text) : "";
}
