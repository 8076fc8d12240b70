// Frames, numbers and warnings, for those who want to look closer.

import { h, morph } from "./dom.js";
import { angle, clock, number, spread, turn } from "./format.js";
import { notice, sentenceLine } from "./sentences.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

// What asks for more frames: nobody takes them while the mount is being set up, and where the axis is measured that is asked for anyway.
const ofTurns = new Set(["two_frames", "little_turn"]);

/**
 * @param {HTMLElement} root
 * @param {State} state
 * @param {boolean} working the mount is set up
 */
export function renderWarnings(root, state, working) {
  // The Sun comes first. What is wrong with the newest frame stands beside its picture.
  const list = (state.warnings ?? []).filter((w) => w.message !== state.latest?.problem?.message && (!ofTurns.has(w.code) || working && state.phase !== "measuring" && state.phase !== "confirming"));
  const sun = state.source.kind === "rehearsal" ? undefined : state.sun; // a rehearsal's sky is made up
  if (sun?.near_frame) list.unshift({ code: "sun_near", message: words.sun.near });
  else if (sun?.up) list.push({ code: "sun_up", message: words.sun.up });
  root.hidden = list.length === 0;
  morph(root, [h("h2", {}, words.warnings),
    h("ul", {}, list.map((w) => h("li", { "data-code": w.code }, notice(w))))]);
}

// Frames of a measurement, of which the person may leave one out.
const ofMeasurement = new Set(["measures", "same angle", "set aside", "left out"]);

/**
 * @param {HTMLElement} root
 * @param {State} state
 * @param {boolean} operate
 */
export function renderList(root, state, operate) {
  const open = root.querySelector("details")?.open ?? matchMedia("(min-width: 60rem)").matches;
  morph(root, [h("details", { open }, h("summary", {}, h("h2", {}, words.list.title)), chosen(state, operate), frames(state, operate), numbers(state))]);
}

/**
 * What leaving a frame out, or taking it back, did to the answer, with the way back.
 * @param {State} state
 * @param {boolean} operate
 */
function chosen(state, operate) {
  const c = state.choice, w = words.list;
  if (!c) return h("div", { role: "status" });
  const number = (state.frames ?? []).find((f) => f.file === c.file && f.mid_utc === c.mid_utc)?.number ?? 0;
  return h("div", { role: "status" }, h("div", { class: "chosen" },
    h("p", {}, (c.counts ? w.with : w.without)(words.frame(number, clock(c.mid_utc)), angle(c.is_arcmin), angle(c.was_arcmin))),
    operate && h("button", { type: "button", "data-file": c.file, "data-mid": c.mid_utc, "data-counts": String(!c.counts) }, words.boltReport.undo)));
}

/**
 * @param {State} state
 * @param {boolean} operate
 */
function frames(state, operate) {
  const w = words.list;
  const list = state.frames ?? [];
  if (list.length === 0) return h("p", { class: "sub" }, w.empty);
  const choose = operate && list.some((f) => ofMeasurement.has(f.status));
  return h("div", { class: "scroll", tabindex: "0", role: "group", "aria-label": w.title }, h("table", {},
    h("thead", {}, h("tr", {}, w.columns.slice(0, choose ? 6 : 5).map((c) => h("th", { scope: "col" }, c)))),
    h("tbody", {}, list.slice().reverse().map((f) => h("tr", { "data-status": f.status, "data-id": `${f.file} ${f.mid_utc ?? ""}` },
      h("th", { scope: "row" }, h("span", { title: f.file }, `${f.number}  ${shortened(f.file)}`), h("small", {}, words.status[f.status] ?? f.status, f.message && !ofMeasurement.has(f.status) && `: ${sentenceLine(f.said, f.message)}`)),
      h("td", {}, clock(f.mid_utc)),
      h("td", {}, turn(f.turn_deg)),
      h("td", {}, f.stars || number(null, 0)),
      h("td", {}, f.total_arcmin === null ? spread(f.residual_arcsec) : angle(f.total_arcmin)),
      choose && h("td", {}, ofMeasurement.has(f.status) && h("button", { type: "button", "data-file": f.file, "data-mid": f.mid_utc,
        "data-counts": String(f.status === "left out"), "aria-label": `${f.status === "left out" ? w.takeBack : w.leaveOut}: ${words.frame(f.number, clock(f.mid_utc))}` },
        f.status === "left out" ? w.takeBack : w.leaveOut)))))));
}

/**
 * A file's name, its middle left out where it is long: the end tells it from the others.
 * @param {string} file
 */
function shortened(file) {
  return file.length <= 18 ? file : `${file.slice(0, 4)}…${file.replace(/\.[a-z.]{2,8}$/i, "").slice(-8)}`;
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
  if (state.addresses?.length) rows.push([w.address, state.addresses.join(" ")]);
  if (state.source.folder) rows.push([w.folder, state.source.folder]);
  rows.push([w.program, state.program]);
  return h("dl", {}, rows.flatMap(([k, v]) => [h("dt", {}, k), h("dd", {}, v)]));
}
