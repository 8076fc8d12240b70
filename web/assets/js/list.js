// Frames, numbers and warnings, for those who want to look closer.

import { h, morph } from "./dom.js";
import { angle, clock, number, primes, sentenceLike, spread, turn } from "./format.js";
import { language, words } from "./words.js";

/** @typedef {import("./types.js").State} State */

/**
 * @param {HTMLElement} root
 * @param {State} state
 */
export function renderWarnings(root, state) {
  // The Sun comes first. What is wrong with the newest frame stands beside its picture.
  const list = (state.warnings ?? []).filter((w) => w.message !== state.latest?.problem?.message);
  const sun = state.source.kind === "rehearsal" ? undefined : state.sun; // a rehearsal's sky is made up
  if (sun?.near_frame) list.unshift({ code: "sun_near", message: words.sun.near });
  else if (sun?.up) list.push({ code: "sun_up", message: words.sun.up });
  root.hidden = list.length === 0;
  morph(root, [h("h2", {}, words.warnings),
    h("ul", {}, list.map((w) => h("li", { "data-code": w.code }, words.warning[w.code] ?? sentenceLike(w.message))))]);
}

/**
 * @param {HTMLElement} root
 * @param {State} state
 */
export function renderList(root, state) {
  const open = root.querySelector("details")?.open ?? matchMedia("(min-width: 60rem)").matches;
  morph(root, [h("details", { open }, h("summary", {}, h("h2", {}, words.list.title)), frames(state), numbers(state))]);
}

/** @param {State} state */
function frames(state) {
  const w = words.list;
  const list = state.frames ?? [];
  if (list.length === 0) return h("p", { class: "sub" }, w.empty);
  return h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": w.title }, h("table", {},
    h("thead", {}, h("tr", {}, w.columns.map((c) => h("th", { scope: "col" }, c)))),
    h("tbody", {}, list.slice().reverse().map((f) => h("tr", { "data-status": f.status },
      h("th", { scope: "row" }, f.file, h("small", {}, words.status[f.status] ?? f.status, language === "en" && f.message && `: ${primes(f.message)}`)),
      h("td", {}, clock(f.mid_utc)),
      h("td", {}, turn(f.turn_deg)),
      h("td", {}, f.stars || number(null, 0)),
      h("td", {}, f.total_arcmin === null ? spread(f.residual_arcsec) : angle(f.total_arcmin)))))));
}

/** @param {State} state */
function numbers(state) {
  const w = words.list;
  /** @type {[string, string][]} */
  const rows = [];
  const altAz = (/** @type {import("./types.js").Direction} */ d) =>
    w.altAz(number(d.alt_deg, 4, "°"), number(d.az_deg, 4, "°"));
  if (state.now) {
    const u = state.now.uncertainty, o = state.now.offset;
    rows.push([w.axis, altAz(state.now.axis)]);
    rows.push([w.offset, w.altAz(number(o.alt_arcmin, 2, "′"), number(o.az_arcmin, 2, "′"))]);
    rows.push([w.sure, w.altAz(spread(u.alt_arcsec), spread(u.az_arcsec))]);
  }
  if (state.pole) rows.push([w.poleAim, `${words.pole[state.pole.kind] ?? state.pole.kind}; ${altAz(state.pole)}`]);
  if (state.chi2_dof !== undefined) rows.push([w.fit, number(state.chi2_dof, 2)]);
  if (state.tracking !== undefined) rows.push([w.drive, state.tracking ? w.driveOn : w.driveOff]);
  if (state.lock) rows.push([w.lock, `${angle(state.lock.total_arcmin)} ± ${spread(state.lock.uncertainty_arcsec)}`]);
  if (state.source.folder) rows.push([w.folder, state.source.folder]);
  rows.push([w.program, state.program]);
  return h("dl", {}, rows.flatMap(([k, v]) => [h("dt", {}, k), h("dd", {}, v)]));
}
