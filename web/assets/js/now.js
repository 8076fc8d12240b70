// What to do now: one thing in large words, and for the bolts how far.

import { h } from "./dom.js";
import { angle, number, primes, spread, turn } from "./format.js";
import { rule } from "./rule.js";
import { planLine } from "./steps/plan.js";
import { strokeOf } from "./strokes.js";
import { turnLines } from "./turnto.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Standing} Standing */
/** @typedef {import("./types.js").Move} Move */

/** Which of the four steps a phase belongs to; -1 before the first. */
export const stepOf = { place: -1, waiting: 0, measuring: 0, adjusting: 1, confirming: 2, done: 3, watching: 3 };

/** @typedef {{stale: boolean, lost: boolean}} Trust how far the state can be trusted */

/**
 * The code of the instruction that holds on this page: on old numbers nobody
 * turns a bolt.
 * @param {State|null} state
 * @param {Trust} trust
 */
function codeNow(state, { stale, lost }) {
  if (!state) return "connect";
  if (lost) return "lost";
  if (stale && state.phase === "adjusting") return "stale";
  return state.do.code;
}

/**
 * One sentence for a screen reader.
 * @param {State|null} state
 * @param {Trust} trust
 */
export function sentence(state, trust) {
  const code = codeNow(state, trust);
  if (code === "bolt" && state?.now) {
    const m = state.now.moves[0];
    return `${words.bolt[m.bolt]}: ${order(m)} ${angle(m.amount_arcmin)}.`;
  }
  const { head, lines } = say(state, code);
  return [head, ...lines].join(" ");
}

/**
 * What to say for a code: our short words first, then the session's own.
 * @param {State|null} state
 * @param {string} code
 * @returns {{head: string, lines: string[]}}
 */
function say(state, code) {
  const w = words.do[code] ?? {};
  const said = state && code !== "stale" && code !== "lost" ? [state.do.text, ...(state.do.details ?? [])].filter((t) => t).map(primes) : [];
  if (w.head) return { head: w.head, lines: w.sub ? [w.sub] : said };
  return { head: said[0] ?? "", lines: said.slice(1) };
}

/** @param {Move} m */
function order(m) {
  return m.way ? words.order[m.way] : primes(m.text);
}

/**
 * @param {State|null} state
 * @param {Trust} trust
 * @returns {Node[]}
 */
export function nowParts(state, trust) {
  const code = codeNow(state, trust);
  const old = trust.stale || trust.lost || (state?.doubt ?? false);
  const waits = words.waits[code] ?? "";
  if (code === "bolt" && state?.now) return boltParts(state, state.now);
  const { head, lines } = say(state, code);
  const bolts = state?.now && state.phase !== "measuring" && state.phase !== "confirming";
  if (state?.now && bolts) {
    const now = state.now;
    const total = old ? null : angle(now.offset.total_arcmin);
    const plan = old ? "" : planLine(state.plan);
    return [
      card(head, plan ? [plan, ...lines] : lines, total, words.fromPole, code === "lock" ? words.cautions.lock : "", waits),
      h("div", { class: old ? "pair old" : "pair" }, now.moves.map((m) => boltCard(state, now, m, false, true))),
    ];
  }
  // The angle to turn by, large: the one in the sentence, so that they agree.
  const turning = code === "measuring" || code === "confirming";
  const figure = turning ? /\d+(\.\d+)?°/.exec(head)?.[0] ?? null : null;
  const way = turning && state?.turn_to ? turnLines(state.turn_to) : null;
  const parts = [card(head, way ? [...way.lines, ...lines] : lines, figure && way ? `${figure} ${way.sign}` : figure, "", turning ? words.cautions.turn : "", waits)];
  if (turning && state?.frames?.length) parts.push(turned(state));
  return parts;
}

/**
 * @param {string} head
 * @param {string[]} lines
 * @param {string|null} figure
 * @param {string} unit what the figure is
 * @param {string} caution
 * @param {string} waits
 */
function card(head, lines, figure, unit, caution, waits) {
  return h("div", { class: "card now-card" },
    h("p", { class: "label" }, h("b", {}, words.now)),
    h("h1", { class: head.length > 40 ? "head long" : "head" }, head),
    figure && h("p", { class: "figure" }, figure, unit && h("small", {}, " ", unit)),
    lines.map((l) => h("p", { class: "sub" }, l)),
    caution && h("p", { class: "caution" }, h("b", {}, words.care), " ", caution),
    waits && h("p", { class: "waits" }, waits));
}

/**
 * The bolt to turn now, large, and the other.
 * @param {State} state
 * @param {Standing} now
 */
function boltParts(state, now) {
  const [first, ...rest] = now.moves;
  return [
    boltCard(state, now, first, true, false),
    ...rest.map((m) => boltCard(state, now, m, false, false)),
    totalLine(state, now),
  ];
}

/**
 * @param {State} state
 * @param {Standing} now
 * @param {Move} m
 * @param {boolean} large the one to turn now
 * @param {boolean} together shown side by side, none before the other
 */
function boltCard(state, now, m, large, together) {
  const altitude = m.bolt === "altitude";
  const sd = altitude ? now.uncertainty.alt_arcsec : now.uncertainty.az_arcsec;
  const side = m.rotation ? words.side[m.rotation] : "";
  const label = large ? words.now : m.done ? words.fine : together ? null : words.then;
  const head = m.done && m.way ? words.stands[m.way] : order(m);
  const stroke = together ? "" : strokeOf(state, m.bolt);
  const told = large && !stroke ? side : ""; // two senses of clockwise on one card mislead
  return h("div", { class: `card bolt-card ${m.bolt} ${large ? "now-card" : "then-card"} ${m.done ? "is-fine" : ""}` },
    h("div", { class: "bolt-words" },
      h("p", { class: "label" }, label && h("b", {}, label), label && " · ", words.bolt[m.bolt]),
      large ? h("h1", { class: "head" }, head) : h("p", { class: "head" }, head),
      h("p", { class: "figure", "data-bolt": m.bolt }, angle(m.amount_arcmin)),
      stroke && h("p", { class: "stroke" }, stroke),
      h("p", { class: "sub" }, words.giveOrTake(spread(sd)), told && [", ", told])),
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
  const plan = planLine(state.plan);
  const times = (now.offset.total_arcmin ?? 0) / (state.tolerance_arcmin || 1);
  return h("div", { class: "total" },
    h("p", {}, words.total(angle(now.offset.total_arcmin), angle(state.tolerance_arcmin), kind), " ",
      times >= 1.5 ? words.times(number(times, times < 3 ? 1 : 0)) : ""),
    h("p", { class: "waits" }, words.waits.bolt),
    plan && h("p", {}, plan),
    h("p", { class: "caution" }, h("b", {}, words.care), " ", words.cautions.bolt));
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
  const room = Math.max(100, 1.25 * (high - low));
  const start = (low + high) / 2 - room / 2;
  const at = (/** @type {number} */ a) => (a - start) / room;
  const step = room > 100 ? 30 : 15;
  const marks = [];
  for (let a = Math.ceil(start / step) * step; a <= start + room; a += step) {
    if (at(a) < 0.06 || at(a) > 0.94) continue; // its number would hang over the end
    marks.push(h("span", { class: "tick long", "--at": at(a) }, h("span", { class: "tick-label" }, `${number(a, 0)}°`)));
  }
  const best = state.advice?.expected ?? [];
  return h("div", { class: "card turned" },
    h("p", { class: "label" }, h("b", {}, t.title), " · ", t.span(number(state.turn_deg, 1, "°"), frames.length)),
    h("div", { class: "rule lying pegs", role: "img", "aria-label": `${t.rule} ${angles.map((a) => turn(a)).join(", ")}` },
      h("div", { class: "rule-body" }, marks),
      angles.map((a) => h("div", { class: "peg", "--at": at(a) }))),
    best.length > 0 && h("p", { class: "sub" },
      t.forecast(best.slice(0, 3).map((f) => [number(f.turn_deg, 0, "°"), spread(f.uncertainty_arcsec)]))));
}
