// What to do now: one thing in large words, and for the bolts how far.

import { h } from "./dom.js";
import { angle, number, spread, turn } from "./format.js";
import { rule } from "./rule.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Standing} Standing */
/** @typedef {import("./types.js").Move} Move */

/** Which of the four steps a phase belongs to; -1 before the first. */
export const stepOf = { place: -1, waiting: 0, measuring: 0, adjusting: 1, confirming: 2, done: 3 };

/**
 * The code of the instruction that holds on this page: on old numbers nobody
 * turns a bolt.
 * @param {State|null} state
 * @param {boolean} stale
 */
export function codeNow(state, stale) {
  if (!state) return "connect";
  if (stale && state.phase === "adjusting") return "stale";
  return state.do.code;
}

/**
 * One sentence for a screen reader.
 * @param {State|null} state
 * @param {boolean} stale
 */
export function sentence(state, stale) {
  const code = codeNow(state, stale);
  if (code === "bolt" && state?.now) {
    const m = state.now.moves[0];
    return `${words.bolt[m.bolt]}: ${order(m)} ${angle(m.amount_arcmin)}.`;
  }
  const w = words.do[code] ?? words.do.other;
  return state && code !== "stale" ? `${w.head}. ${state.do.text}` : `${w.head}. ${w.sub ?? ""}`;
}

/** @param {Move} m */
function order(m) {
  return m.way ? words.order[m.way] : m.text;
}

/**
 * @param {State|null} state
 * @param {boolean} stale
 * @returns {Node[]}
 */
export function nowParts(state, stale) {
  const code = codeNow(state, stale);
  const w = words.do[code] ?? words.do.other;
  const parts = [];
  if (state?.now && (state.phase === "adjusting" || state.phase === "done" || state.phase === "confirming")) {
    if (code === "bolt") return boltParts(state, state.now);
    parts.push(card("now-card", words.now, w.head, sub(state, code), null));
    parts.push(h("div", { class: stale ? "pair old" : "pair", "data-old": words.oldNumbers },
      state.now.moves.map((m) => boltCard(state, /** @type {Standing} */ (state.now), m, false))));
    parts.push(totalLine(state, state.now));
    return parts;
  }
  const advice = state?.advice?.least_deg;
  const figure = (code === "turn" || code === "turn_more") && advice ? words.byDegrees(Math.ceil(advice).toFixed(0)) : null;
  parts.push(card("now-card", words.now, w.head, sub(state, code), figure));
  if (state?.frames?.length) parts.push(turned(state));
  return parts;
}

/**
 * The session's own sentence, or ours where it has nothing to say.
 * @param {State|null} state
 * @param {string} code
 */
function sub(state, code) {
  const own = words.do[code]?.sub ?? "";
  if (!state || code === "stale") return [own];
  return [state.do.text || own, ...(state.do.details ?? [])];
}

/**
 * @param {string} kind
 * @param {string} label
 * @param {string} head
 * @param {string[]} lines
 * @param {string|null} figure
 * @param {...Node} more
 */
function card(kind, label, head, lines, figure, ...more) {
  return h("div", { class: `card ${kind}` },
    h("p", { class: "label" }, label),
    h("h1", { class: "head" }, head),
    figure && h("p", { class: "figure" }, figure),
    lines.filter((l) => l).map((l) => h("p", { class: "sub" }, l)),
    more);
}

/**
 * The bolt to turn now, large, and the other.
 * @param {State} state
 * @param {Standing} now
 */
function boltParts(state, now) {
  const [first, ...rest] = now.moves;
  return [
    boltCard(state, now, first, true),
    ...rest.map((m) => boltCard(state, now, m, false)),
    totalLine(state, now),
  ];
}

/**
 * @param {State} state
 * @param {Standing} now
 * @param {Move} m
 * @param {boolean} large
 */
function boltCard(state, now, m, large) {
  const altitude = m.bolt === "altitude";
  const sd = altitude ? now.uncertainty.alt_arcsec : now.uncertainty.az_arcsec;
  const side = m.rotation ? words.side[m.rotation] : "";
  const label = large ? words.now : state.do.code === "bolt" ? (m.done ? words.fine : words.then) : null;
  return h("div", { class: `card bolt-card ${m.bolt} ${large ? "now-card" : "then-card"} ${m.done ? "is-fine" : ""}` },
    h("div", { class: "bolt-words" },
      h("p", { class: "label" }, label && h("b", {}, label), label && " · ", words.bolt[m.bolt]),
      large ? h("h1", { class: "head" }, order(m)) : h("p", { class: "head" }, order(m)),
      h("p", { class: "figure", "data-bolt": m.bolt }, angle(m.amount_arcmin)),
      h("p", { class: "sub" }, words.giveOrTake(spread(sd)), large && side && [", ", side])),
    rule({
      bolt: m.bolt,
      offset: altitude ? now.offset.alt_arcmin : now.offset.az_arcmin,
      spread: sd,
      gate: m.gate_arcmin,
      south: (state.site?.lat_deg ?? 0) < 0,
      way: !m.done,
    }));
}

/**
 * @param {State} state
 * @param {Standing} now
 */
function totalLine(state, now) {
  const kind = words.pole[state.pole?.kind ?? ""] ?? "";
  return h("p", { class: "total" },
    words.total(angle(now.offset.total_arcmin), angle(state.tolerance_arcmin), kind));
}

/**
 * The RA angles measured so far, as pegs on a lying rule.
 * @param {State} state
 */
function turned(state) {
  const t = words.turned;
  const frames = (state.frames ?? []).filter((f) => f.status === "measures" || f.status === "same angle");
  const angles = frames.map((f) => f.turn_deg ?? 0);
  const low = Math.min(0, ...angles), high = Math.max(0, ...angles);
  const room = Math.max(90, 1.15 * (high - low));
  const start = (low + high) / 2 - room / 2;
  const at = (/** @type {number} */ a) => (a - start) / room;
  const step = room > 100 ? 30 : 15;
  const marks = [];
  for (let a = Math.ceil(start / step) * step; a <= start + room; a += step) {
    marks.push(h("span", { class: "tick long", "--at": at(a) }, h("span", { class: "tick-label" }, `${number(a, 0)}°`)));
  }
  const best = state.advice?.expected ?? [];
  return h("div", { class: "card turned" },
    h("p", { class: "label" }, h("b", {}, t.title), " · ", t.span(number(state.turn_deg, 1, "°"), frames.length)),
    h("div", { class: "rule lying pegs", role: "img", "aria-label": `${t.rule} ${angles.map((a) => turn(a)).join(", ")}` },
      h("div", { class: "rule-body" }, marks),
      angles.map((a) => h("div", { class: "peg", "--at": at(a) }))),
    best.length > 0 && h("p", { class: "sub" },
      best.slice(0, 3).map((f) => t.forecast(turn(f.turn_deg), spread(f.uncertainty_arcsec))).join(" · ")));
}
