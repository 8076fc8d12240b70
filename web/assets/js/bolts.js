// The two bolts: each has its place, which it keeps; the one to turn now stands large
// below them, with its rule.

import { confirmed } from "./correction.js";
import { h } from "./dom.js";
import { angle, figure, number, primes, spread } from "./format.js";
import { rule } from "./rule.js";
import { sentenceLine } from "./sentences.js";
import { planLine } from "./steps/plan.js";
import { strokeOf } from "./strokes.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").AxisStatus} AxisStatus */
/** @typedef {import("./types.js").Move} Move */

// So many readings before the newest are shown as notches on the rule.
const notches = 5;

/** @param {Move} m */
export function order(m) {
  return words.order[m.way] ?? primes(m.text);
}

/**
 * What stands over a bolt's number: what to do with it, or where it stands.
 * @param {Move} m
 */
export function headOf(m) {
  if (!m.done) return order(m);
  return Math.round(Math.abs(m.amount_arcmin ?? 1) * 60) === 0 ? words.right : words.stands[m.way] ?? order(m);
}

/**
 * The bolt that is to be turned.
 * @param {State} state
 * @returns {Move|null}
 */
export function turning(state) {
  const moves = state.now?.moves ?? [];
  return moves.find((m) => m.bolt === state.turning) ?? moves.find((m) => !m.done) ?? moves[0] ?? null;
}

/**
 * @param {State} state
 * @param {AxisStatus} now
 * @param {boolean} operate
 */
export function boltParts(state, now, operate) {
  const m = turning(state);
  if (!m) return [];
  return [choice(now, m, operate), large(state, now, m)];
}

/**
 * Both bolts in their places; pressing the other one changes over.
 * @param {AxisStatus} now
 * @param {Move} turned
 * @param {boolean} operate
 */
function choice(now, turned, operate) {
  return h("div", { class: "choice", role: "group", "aria-label": words.whichBolt }, now.moves.map((m) =>
    h("button", { type: "button", class: m.done ? "is-fine" : null, "data-change-over": m.bolt, "aria-pressed": String(m === turned), disabled: !operate },
      h("span", {}, words.bolt[m.bolt]),
      h("b", {}, m.done ? words.fine : words.shortly[m.way] ?? primes(m.text), " ", h("i", { class: "amount" }, angle(m.amount_arcmin))))));
}

/**
 * @param {State} state
 * @param {AxisStatus} now
 * @param {Move} m
 */
function large(state, now, m) {
  const sd = spreadOf(now, m);
  const wrong = state.wrong_way;
  const wrongly = wrong?.bolt === m.bolt;
  const stroke = strokeOf(state, m.bolt);
  const hand = stroke || handSide(m.way, (state.site?.lat_deg ?? 0) < 0);
  const head = headOf(m), bump = bumped(state);
  return h("div", { class: `card now-card bolt-card ${m.bolt}`, "data-kind": m.bolt },
    h("h1", { class: head.length > 24 ? "head long" : "head" }, head),
    h("p", { class: "figure", "data-bolt": m.bolt }, figure(m.amount_arcmin)),
    h("div", { class: "bolt-words" },
      h("p", { class: bump || wrongly ? "hand wrong" : stroke ? "hand stroke" : "hand", "data-kind": String(wrongly || bump !== "") }, bump || (wrongly ? words.wrongWay(angle(wrong.worse_arcmin)) : hand)),
      h("p", { class: "sub" }, (bump || wrongly) && hand ? hand : words.giveOrTake(spread(sd))),
      m.bolt === "altitude" && h("p", { class: "caution" }, h("b", {}, words.care), " ", words.cautions.bolt)),
    boltRule(state, now, m, !m.done));
}

/**
 * Asks whether something bumped into the mount, as long as the frame that shows it stands among those on the
 * rule; else empty.
 * @param {State} state
 */
export function bumped(state) {
  const by = state.warnings?.find((w) => w.code === "mount_moved");
  const read = (state.frames ?? []).filter((f) => f.status === "adjusts").slice(-notches - 1);
  return read.some((f) => f.number === by?.frame?.number) ? words.bumped : "";
}

/**
 * To which hand of who faces the pole the azimuth bolt turns the mount.
 * @param {Move["way"]} way
 * @param {boolean} south
 */
function handSide(way, south) {
  if (way !== "east" && way !== "west") return "";
  return words.side[(way === "east") === south ? "left" : "right"];
}

/**
 * @param {AxisStatus} now
 * @param {Move} m
 */
function spreadOf(now, m) {
  return m.bolt === "altitude" ? now.uncertainty.alt_arcsec : now.uncertainty.az_arcsec;
}

/**
 * @param {State} state
 * @param {AxisStatus} now
 * @param {Move} m
 * @param {boolean} way
 */
function boltRule(state, now, m, way) {
  const altitude = m.bolt === "altitude";
  const read = (state.frames ?? []).filter((f) => f.status === "adjusts");
  const before = [state.measured?.offset ?? { alt_arcmin: null, az_arcmin: null }, ...read].slice(-notches - 1, -1);
  return rule({
    bolt: m.bolt,
    offset: altitude ? now.offset.alt_arcmin : now.offset.az_arcmin,
    before: before.map((f) => altitude ? f.alt_arcmin : f.az_arcmin),
    spread: spreadOf(now, m),
    gate: m.gate_arcmin,
    south: (state.site?.lat_deg ?? 0) < 0,
    way,
  });
}

/**
 * Both bolts side by side, none before the other: they are not to be turned now.
 * @param {State} state
 * @param {AxisStatus} now
 * @param {boolean} old the numbers are
 */
export function pair(state, now, old) {
  return h("div", { class: old ? "pair old" : "pair", "data-kind": state.do.code }, now.moves.map((m) => h("div", { class: `card bolt-card still ${m.bolt}` },
    h("div", { class: "bolt-words" },
      h("p", { class: "label" }, words.bolt[m.bolt]),
      h("p", { class: "head" }, headOf(m)),
      h("p", { class: "figure", "data-bolt": m.bolt }, angle(m.amount_arcmin)),
      h("p", { class: "sub" }, words.giveOrTake(spread(spreadOf(now, m))))),
    boltRule(state, now, m, false))));
}

/**
 * Both bolts together: how far the axis is from the pole, and what that means.
 * @param {State} state
 * @param {AxisStatus} now
 */
export function total(state, now) {
  const kind = words.pole[state.pole?.kind ?? ""] ?? "";
  const plan = planLine(state.plan);
  const times = (now.offset.total_arcmin ?? 0) / (state.tolerance_arcmin || 1);
  const more = (state.do.said_details ?? []).filter((d) => d.code !== "stands" && d.code !== "moves");
  return [
    // One piece of text: a second one would jump where a figure of the first loses a digit.
    h("p", {}, [words.total(angle(now.offset.total_arcmin), angle(state.tolerance_arcmin), kind), times >= 1.5 ? words.times(number(times, times < 3 ? 1 : 0)) : ""].join(" ").trim()),
    plan && h("p", {}, plan),
    ...more.map((d) => h("p", {}, sentenceLine(d, d.text))),
    confirmed(state) && h("p", { class: "confirmed" }, confirmed(state)),
  ];
}
