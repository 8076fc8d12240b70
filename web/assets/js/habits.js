// The proof of the axis by the sky, and what ordinary exposures tell of the mount: the
// curve of the drive's periodic error, and what bends over the sky.

import { h, svg } from "./dom.js";
import { number, spread } from "./format.js";
import { sentenceParts } from "./sentences.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").Num} Num */

/**
 * A drift with its sign.
 * @param {Num} arcsec
 */
const signed = (arcsec) => (arcsec !== null && arcsec > 0 ? "+" : "") + number(arcsec, 1, "″");

/**
 * @param {State} state
 * @returns {Node[]|null} null while there is none
 */
export function proofParts(state) {
  const p = state.proof, w = words.proof;
  if (!p || state.phase !== "done") return null;
  const said = sentenceParts(p.said, p.said.text), d = p.drift;
  const sigma = d ? Math.hypot(d.sigma_seen_arcsec_min ?? 0, d.sigma_predicted_arcsec_min ?? 0, d.sigma_bending_arcsec_min ?? 0) : 0;
  return [h("h2", {}, w.title), h("p", { class: "head" }, said.head), h("p", { class: "sub" }, said.line),
    ...(d && p.verdict !== "running" ? [] : d ? [h("p", { class: "sub" }, w.rates(signed(d.predicted_arcsec_min), signed(d.seen_arcsec_min), spread(sigma)))] : [h("p", { class: "sub" }, w.why)])];
}

/** @param {Num} s */
function minutes(s) {
  const whole = Math.round(s ?? 0);
  return whole < 60 ? `${whole} s` : `${Math.floor(whole / 60)} min ${whole % 60} s`;
}

/**
 * @param {State} state
 * @returns {Node[]|null} null while frames tell nothing of it
 */
export function habitParts(state) {
  const t = state.habits, w = words.habits;
  if (!t || (state.phase !== "done" && state.phase !== "watching")) return null;
  /** @type {Node[]} */
  const out = [h("h2", {}, w.title)];
  if (t.periodic) {
    const { amplitude_arcsec: a, period_s: s, sigma_arcsec: sigma } = t.periodic;
    out.push(h("p", {}, w.periodic(number(a, 1, "″"), minutes(s), spread(sigma))), curve(t.periodic));
  }
  if (t.bends?.length) {
    const lines = t.bends.map((b) => w.bend(number(b.alt_deg, 0, "°"), number(b.az_deg, 0, "°"), signed(b.rate_arcsec_h), spread(b.sigma_arcsec_h)));
    out.push(h("h3", {}, w.bends), map(t.bends, lines), h("ul", { class: "plain" }, lines.map((l) => h("li", {}, l))));
  }
  return out;
}

const wide = 340, high = 150, left = 40, foot = 22, head = 8;

/**
 * The frames over one period, and the even part of it.
 * @param {NonNullable<NonNullable<State["habits"]>["periodic"]>} p
 */
function curve(p) {
  const a = p.amplitude_arcsec ?? 0;
  const top = 1.15 * Math.max(a, ...p.curve.map((c) => Math.abs(c.error_arcsec ?? 0)), 0.1);
  const x = (/** @type {number} */ phase) => left + (wide - left) * phase;
  const y = (/** @type {number} */ v) => head + ((high - head - foot) * (top - v)) / (2 * top);
  // Cosine and sine of the points themselves: the curve is drawn through them.
  let c = 0, s = 0;
  for (const { phase, error_arcsec: e } of p.curve) {
    c += (2 * (e ?? 0) * Math.cos(2 * Math.PI * (phase ?? 0))) / p.curve.length;
    s += (2 * (e ?? 0) * Math.sin(2 * Math.PI * (phase ?? 0))) / p.curve.length;
  }
  const turned = Math.hypot(c, s) || 1;
  const even = Array.from({ length: 61 }, (_, i) => i / 60).map((f) => `${x(f).toFixed(1)},${y((a * (c * Math.cos(2 * Math.PI * f) + s * Math.sin(2 * Math.PI * f))) / turned).toFixed(1)}`);
  const chart = svg("svg", { viewBox: `0 0 ${wide} ${high}`, role: "img", "aria-label": words.habits.chart(number(a, 1, "″"), minutes(p.period_s), p.curve.length) });
  for (const v of [-a, 0, a]) {
    chart.append(svg("line", { x1: left, y1: y(v), x2: wide, y2: y(v) }), svg("text", { x: left - 4, y: y(v) + 4, "text-anchor": "end" }, number(v, 0, "″")));
  }
  chart.append(svg("polyline", { points: even.join(" ") }),
    ...p.curve.map((k) => svg("circle", { cx: x(k.phase ?? 0).toFixed(1), cy: y(k.error_arcsec ?? 0).toFixed(1), r: 2.5 })),
    svg("text", { x: left, y: high - 4 }, "0"), svg("text", { x: wide, y: high - 4, "text-anchor": "end" }, minutes(p.period_s)));
  return chart;
}

/**
 * The sky from below, the zenith in the middle, north up and east left; a dot at each
 * place, the larger the more bends there.
 * @param {NonNullable<NonNullable<State["habits"]>["bends"]>} bends
 * @param {string[]} lines
 */
function map(bends, lines) {
  const r = 120, c = r + 20;
  const most = Math.max(...bends.map((b) => Math.abs(b.rate_arcsec_h ?? 0)), 1);
  const chart = svg("svg", { viewBox: `0 0 ${2 * c} ${2 * c}`, role: "img", "aria-label": words.habits.map(lines.join("; ")) });
  for (const alt of [0, 30, 60]) chart.append(svg("circle", { class: "ring", cx: c, cy: c, r: (r * (90 - alt)) / 90 }));
  const star = words.setup.ground.sides;
  for (const [name, dx, dy] of /** @type {[string, number, number][]} */ ([[star.north, 0, -1], [star.east, -1, 0], [star.south, 0, 1], [star.west, 1, 0]])) {
    chart.append(svg("text", { x: c + dx * (r + 10), y: c + dy * (r + 10) + 4, "text-anchor": "middle" }, name.slice(0, 1)));
  }
  for (const b of bends) {
    const away = (r * (90 - (b.alt_deg ?? 0))) / 90, az = ((b.az_deg ?? 0) * Math.PI) / 180;
    const x = c - away * Math.sin(az), y = c - away * Math.cos(az), rate = b.rate_arcsec_h ?? 0;
    chart.append(svg("circle", { class: rate < 0 ? "hollow" : "", cx: x.toFixed(1), cy: y.toFixed(1), r: (3 + (9 * Math.abs(rate)) / most).toFixed(1) }),
      svg("text", { x: (x + 14).toFixed(1), y: (y + 4).toFixed(1) }, signed(rate)));
  }
  return chart;
}
