// What to do now: one thing in large words, and for the bolts how far.

import { boltParts, bumped, headOf, pair, turning } from "./bolts.js";
import { confirmed } from "./correction.js";
import { h, unbroken } from "./dom.js";
import { angle, number, spread, turn } from "./format.js";
import { note } from "./notes.js";
import { sentenceParts } from "./sentences.js";
import { planLine } from "./steps/plan.js";
import { mount } from "./steps/start.js";
import { turnLines } from "./turnto.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

/** Which of the four steps a phase belongs to; -1 before the first. */
export const stepOf = { place: -1, waiting: 0, measuring: 0, adjusting: 1, confirming: 2, done: 3, watching: 3 };

/** @typedef {{stale: boolean, lost: boolean, unreached: boolean, unpaired: boolean}} Trust how far the state can be trusted */

/**
 * The code of the instruction that holds on this page: on old numbers nobody
 * turns a bolt.
 * @param {State|null} state
 * @param {Trust} trust
 */
export function codeNow(state, { stale, lost, unreached, unpaired }) {
  if (unpaired) return "unpaired";
  if (!state) return unreached ? "unreached" : "connect";
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
  const m = code === "bolt" && state ? turning(state) : null;
  if (m && state) {
    const more = bumped(state) || (state.wrong_way ? words.wrongWay(angle(state.wrong_way.worse_arcmin)) : "");
    return `${words.bolt[m.bolt]}: ${headOf(m)} ${angle(m.amount_arcmin)}${words.stop} ${more}`.trim();
  }
  const said = say(state, code), turn = turnOf(state, code);
  const { line } = said;
  const head = turn ? `${turn.head || said.head}: ${[turn.by, turn.way?.way].filter((t) => t).join(" ")}` : said.head;
  return line ? `${head}${head && !/[.!?。！？…]$/.test(head) ? words.stop : ""} ${line}`.trim() : head;
}

/**
 * The turn of the RA axis that is asked for, with the way where the line of sight is known, and its own heading;
 * null for none.
 * @param {State|null} state
 * @param {string} code
 */
function turnOf(state, code) {
  const by = state?.do.said?.args?.find((a) => a.whole_deg !== undefined)?.whole_deg;
  if (!state || (code !== "measuring" && code !== "confirming") || by === null || by === undefined) return null;
  const way = state.turn_to ? turnLines(state.turn_to) : null;
  const on = state.do.said?.code === "turn_on", further = Math.round(state.turn_deg ?? 0) !== 0;
  return { by: number(by, 0, "°"), way, head: !on ? "" : way?.back ? words.turnTo.back : further ? "" : sentenceParts({ code: "turn", text: "" }, "").head };
}

/**
 * What to say for a code: one heading, one sentence, and what explains them.
 * @param {State|null} state
 * @param {string} code
 * @returns {{head: string, line: string, why: string[]}}
 */
function say(state, code) {
  const w = words.do[code] ?? {};
  const known = state !== null && !["stale", "lost", "unpaired", "connect", "unreached"].includes(code);
  const said = known ? sentenceParts(state.do.said, state.do.text) : { head: "", line: "" };
  const more = known ? (state.do.said_details ?? []).map((d) => sentenceParts(d, d.text)).map((d) => d.line || d.head) : [];
  const line = w.head ? w.sub ?? (said.line || said.head) : said.line || (more.shift() ?? "");
  const bump = known ? bumped(state) : "";
  return { head: w.head ?? said.head, line: `${bump} ${line}`.trim(), why: [...more, ...(known ? [confirmed(state)] : [])].filter((t) => t) };
}

/**
 * @param {State|null} state
 * @param {Trust} trust
 * @param {boolean} operate
 * @returns {Node[]}
 */
export function nowParts(state, trust, operate) {
  const code = codeNow(state, trust);
  const old = trust.stale || trust.lost || (state?.doubt ?? false);
  if (code === "bolt" && state?.now) return boltParts(state, state.now, operate);
  const said = say(state, code);
  if (state?.now && state.phase !== "measuring" && state.phase !== "confirming") {
    const plan = old ? "" : planLine(state.plan);
    return [
      card(code, { ...said, why: [...(plan ? [plan] : []), ...(code === "star" ? [words.head.both] : []), ...said.why] }, old ? null : angle(state.now.offset.total_arcmin), words.fromPole, code === "lock" ? words.cautions.lock : ""),
      ...(code === "star" ? [] : [pair(state, state.now, old)]),
    ];
  }
  const turning = code === "measuring" || code === "confirming";
  if (turning) said.why.push(words.head.keys);
  if (code === "waiting" && state?.pole && state.pole.alt_deg !== null) {
    const waits = card(code, said, null, "", "");
    waits.append(mount(note("mount")?.kind ?? "german", (state.site?.lat_deg ?? 0) < 0, state.pole.alt_deg)); // how the mount stands for the first frame
    return [waits];
  }
  const turn = turnOf(state, code);
  if (!turn || !state) return [card(`${code} ${state?.do.said?.code}`, said, null, "", turning ? words.cautions.turn : "")];
  const { by, way } = turn; // the angle is the large number
  const kind = `${code} ${state.do.said?.code}`;
  const parts = [card(kind, { ...said, head: turn.head || said.head, why: [...(way?.why ?? []), ...said.why] }, by, way?.way ?? "", words.cautions.turn, way?.sign)];
  if (state.frames?.length) parts.push(turned(state, kind));
  return parts;
}

/**
 * @param {string} code
 * @param {{head: string, line: string, why: string[]}} said
 * @param {string|null} figure
 * @param {string} unit what the figure is
 * @param {string} caution
 * @param {string} [sign] drawn beside the figure
 */
function card(code, { head, line, why }, figure, unit, caution, sign) {
  return h("div", { class: `card now-card ${figure ? "" : "plainly"}`, "data-kind": code },
    h("h1", { class: head.length > 40 ? "head long" : "head" }, head),
    figure && h("p", { class: "figure" }, figure, sign && " ", sign && h("span", { "aria-hidden": "true" }, sign), unit && h("small", {}, " ", unit)),
    line && h("p", { class: "sub" }, unbroken(line)),
    caution && h("p", { class: "caution" }, h("b", {}, words.care), " ", caution),
    why.length > 0 && h("details", { class: "why" }, h("summary", {}, words.why), why.map((l) => h("p", { class: "sub" }, l))));
}

/**
 * The RA angles measured so far, as pegs on a lying rule.
 * @param {State} state
 * @param {string} kind of the card above it
 */
function turned(state, kind) {
  const t = words.turned;
  const frames = (state.frames ?? []).filter((f) => f.status === "measures" || f.status === "same angle");
  const angles = frames.map((f) => f.turn_deg ?? 0);
  const low = Math.min(0, ...angles), high = Math.max(0, ...angles);
  const room = Math.max(100, 1.25 * (high - low));
  const start = (low + high) / 2 - room / 2;
  const at = (/** @type {number} */ a) => (a - start) / room;
  const step = room > 100 ? 60 : 30;
  const marks = [];
  for (let a = Math.ceil(start / step) * step; a <= start + room; a += step) {
    if (at(a) < 0.06 || at(a) > 0.94) continue; // its number would hang over the end
    marks.push(h("span", { class: "tick long", "--at": at(a) }, h("span", { class: "tick-label" }, `${number(a, 0)}°`)));
  }
  const best = state.advice?.expected ?? [];
  return h("div", { class: "card turned", "data-kind": kind },
    h("p", { class: "label" }, h("b", {}, t.title), " · ", t.span(number(state.turn_deg, 1, "°"), frames.length)),
    h("div", { class: "rule lying pegs", role: "img", "aria-label": `${t.rule} ${[...new Set(angles.map((a) => turn(a)))].join(", ")}` },
      h("div", { class: "rule-body", "data-kind": start, "aria-hidden": "true" }, marks),
      angles.map((a) => h("div", { class: "peg", "--at": at(a), "data-kind": at(a) }))),
    best.length > 0 && h("p", { class: "sub" },
      t.forecast(best.slice(0, 3).map((f) => [number(f.turn_deg, 0, "°"), spread(f.uncertainty_arcsec)]))));
}
