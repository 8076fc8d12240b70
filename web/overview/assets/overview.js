// All piers on one page: asks for what changed, and waits for it.

import { alarmText, decimal, inEnglish, primes, words } from "/overview-words.js";

/** @typedef {{pier: string, online: boolean, last_frame_ms?: number, last_solved: boolean, phase: string, do: string, tolerance_arcmin: number|null, within: boolean, doubt: boolean, offset?: {total_arcmin: number|null}, uncertainty?: {alt_arcsec: number|null, az_arcsec: number|null}, trend_arcmin_week: number|null, nights_arcmin: (number|null)[], alarms?: {code: string, message: string}[]}} Row */

const need = { alarm: "alarm", away: "away", off: "off", none: "" };
const order = [need.alarm, need.away, need.off, need.none];
// No exposure lasts longer: numbers older than this are history.
const staleMs = 30 * 60_000;
// The service answers after 20 s at the latest; a request on a network that died without a word is never answered.
const answerMs = 30_000;

/** @type {Map<string, Row>} */
const rows = new Map();
/** @type {Map<string, HTMLTableRowElement>} */
const lines = new Map();
let seq = 0;
let behindMs = 0; // the service's clock minus this one's
const body = /** @type {HTMLElement} */ (document.getElementById("rows"));
const link = /** @type {HTMLElement} */ (document.getElementById("link"));
const summary = /** @type {HTMLElement} */ (document.getElementById("summary"));

/** @param {Row} r */
function needOf(r) {
  if (r.alarms?.length) return need.alarm;
  if (!r.online) return need.away;
  if (r.offset && !r.within) return need.off;
  return need.none;
}

/** @param {Row} r */
function stateOf(r) {
  const w = words.state;
  if (!r.online) return w.away;
  if (r.doubt) return w.doubt;
  if (!r.offset) return w.unknown;
  return r.within ? w.within : w.outside;
}

/** @param {number} ms */
function age(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 90) return words.ago(s, "s");
  if (s < 5400) return words.ago(Math.round(s / 60), "min");
  if (s < 129600) return words.ago(Math.round(s / 3600), "h");
  return words.ago(Math.round(s / 86400), "d");
}

/** @param {number} arcmin */
function angle(arcmin) {
  return Math.abs(arcmin) < 1 ? `${(arcmin * 60).toFixed(0)}″` : `${decimal(arcmin.toFixed(1))}′`;
}

/** @param {(number|null)[]} nights */
function curve(nights) {
  const known = nights.map((v, i) => [i, v]).filter(([, v]) => v !== null);
  const svg = document.createElementNS("http://www.w3.org/2000/svg", "svg");
  if (known.length < 2) return null;
  const top = Math.max(...known.map(([, v]) => Number(v)), 1e-9);
  svg.setAttribute("viewBox", "0 0 100 30");
  svg.setAttribute("preserveAspectRatio", "none");
  svg.setAttribute("role", "img");
  svg.setAttribute("aria-label", words.curve(known.length, angle(top)));
  const line = document.createElementNS("http://www.w3.org/2000/svg", "polyline");
  line.setAttribute("points", known.map(([i, v]) => `${(100 * Number(i)) / (nights.length - 1)},${28 - (26 * Number(v)) / top}`).join(" "));
  svg.append(line);
  return svg;
}

/** @param {HTMLTableCellElement} cell @param {string} text @param {string} [small] @param {Element|null} [more] */
function fill(cell, text, small, more) {
  cell.replaceChildren(text);
  if (more) cell.append(more);
  if (small) {
    const s = document.createElement("small");
    s.textContent = small;
    cell.append(s);
  }
}

/** @param {Row} r */
function draw(r) {
  let line = lines.get(r.pier);
  if (!line) {
    line = document.createElement("tr");
    line.setAttribute("role", "row"); // on a phone it is laid out as a card
    for (let i = 0; i < 5; i++) line.appendChild(document.createElement("td")).setAttribute("role", "cell");
    lines.set(r.pier, line);
  }
  line.dataset.need = needOf(r);
  const [name, , offset, nights] = line.cells;
  fill(name, r.pier);
  const total = r.offset?.total_arcmin;
  const u = r.uncertainty;
  const known = u && u.alt_arcsec !== null && u.az_arcsec !== null ? words.known(`${Math.max(u.alt_arcsec, u.az_arcsec).toFixed(0)}″`) : "";
  fill(offset, typeof total === "number" ? angle(total) : "–", known);
  const per = r.trend_arcmin_week;
  fill(nights, "", per === null ? "" : words.week(`${per < 0 ? "−" : "+"}${angle(Math.abs(per))}`), curve(r.nights_arcmin));
  ages(r, line);
}

/** @param {Row} r @param {HTMLTableRowElement} line */
function ages(r, line) {
  const old = r.last_frame_ms ? Date.now() + behindMs - r.last_frame_ms : null;
  fill(line.cells[4], old === null ? words.noFrame : age(old), old !== null && !r.last_solved ? words.unsolved : "");
  const stale = old !== null && old > staleMs;
  line.toggleAttribute("data-stale", stale);
  // What to do holds for numbers of now only.
  const todo = inEnglish && r.online && !stale ? r.do : "";
  fill(line.cells[1], stateOf(r), primes(r.alarms?.length ? r.alarms.map(alarmText).join(" ") : todo));
}

function arrange() {
  const all = [...rows.values()].sort((a, b) => order.indexOf(needOf(a)) - order.indexOf(needOf(b)) || a.pier.localeCompare(b.pier, undefined, { numeric: true }));
  body.replaceChildren(...all.map((r) => /** @type {Node} */ (lines.get(r.pier))));
  const w = words.count;
  /** @type {[(n: number) => string, number][]} */
  const counts = [[w.alarm, all.filter((r) => r.alarms?.length).length], [w.away, all.filter((r) => !r.online).length], [w.off, all.filter((r) => r.online && r.offset && !r.within).length]];
  const said = counts.filter(([, n]) => n > 0).map(([say, n]) => say(n)).join(words.signs[1]);
  summary.textContent = words.piers(all.length) + (said && words.signs[0] + said);
}

async function listen() {
  for (;;) {
    try {
      const late = new AbortController();
      setTimeout(() => late.abort(), answerMs);
      const answer = await fetch(`/api/v1/piers?after=${seq}`, { signal: late.signal });
      if (!answer.ok) throw new Error(String(answer.status));
      const page = await answer.json();
      behindMs = page.sent_ms - Date.now();
      if (page.all) rows.clear();
      seq = page.seq;
      for (const r of page.rows) {
        rows.set(r.pier, r);
        draw(r);
      }
      for (const pier of lines.keys()) if (!rows.has(pier)) lines.delete(pier);
      if (page.all || page.rows.length) arrange();
      link.textContent = page.connected ? words.heard : words.unheard;
    } catch {
      link.textContent = words.unreachable;
      await new Promise((r) => setTimeout(r, 3000));
    }
    await new Promise((r) => setTimeout(r, 200)); // many changes in one drawing
  }
}

document.title = `polard: ${words.title}`;
summary.textContent = words.none;
link.textContent = words.asking;
/** @type {HTMLElement} */ (document.querySelector("caption")).textContent = words.caption;
document.querySelectorAll("th").forEach((th, i) => { th.textContent = words.columns[i]; });
setInterval(() => rows.forEach((r) => ages(r, /** @type {HTMLTableRowElement} */ (lines.get(r.pier)))), 5000);
listen();
