// The frame just read, with its matched stars: each between two short ticks,
// as on a finder chart; the pole and the axis, or the way to them; and beside it
// what went wrong.

import { h, setText, svg } from "./dom.js";
import { age, clock, number, place, spread } from "./format.js";
import { notice, sentence } from "./sentences.js";
import { words } from "./words.js";
import { Zoom } from "./zoom.js";

/** @typedef {import("./types.js").Latest} Latest */
/** @typedef {import("./types.js").State} State */
/** @typedef {import("./types.js").InFrame} InFrame */

// More marks than this hide the picture.
const mostMarks = 60;
// Warnings of the session that the picture itself shows, or that are about it.
const seen = new Set(["tube_moved", "mount_moved", "frame_stands_out", "axis_jumped", "axis_turned", "clock", "low_frame", "unsolved"]);
// Without a frame for so long while one is awaited, the folder may be the wrong one:
// the longest exposures for this work, with reading out, twice (common practice).
const silentMs = 90_000;

export class PicturePanel {
  /** @param {HTMLElement} root */
  constructor(root) {
    const w = words.picture;
    this.image = h("img", { alt: "", decoding: "async", hidden: true });
    this.marks = svg("svg", { class: "marks", "aria-hidden": "true", preserveAspectRatio: "none" });
    this.empty = h("p", { class: "picture-none" }, w.none);
    const inner = h("div", { class: "picture-inner" }, this.image, this.marks);
    this.box = h("div", { class: "picture-box", tabindex: "0", role: "group", "aria-label": w.zoomLabel }, inner, this.empty);
    this.zoom = new Zoom(this.box, inner);
    this.file = h("p", { class: "picture-file" });
    this.facts = h("p", { class: "picture-facts" });
    this.problems = h("ul", { class: "picture-problems", hidden: true });
    this.tools = h("div", { class: "picture-tools", hidden: true },
      h("button", { type: "button", "aria-label": w.larger, onclick: () => this.zoom.by(1.6) }, "+"),
      h("button", { type: "button", "aria-label": w.smaller, onclick: () => this.zoom.by(1 / 1.6) }, "−"),
      h("button", { type: "button", onclick: () => this.zoom.reset() }, w.whole),
      this.faint = h("button", { type: "button", role: "switch", "aria-checked": "false", onclick: () => {
        const on = this.box.dataset.faint !== "true";
        this.box.dataset.faint = String(on);
        this.faint.setAttribute("aria-checked", String(on));
      } }, w.faint));
    root.append(h("div", { class: "panel-head" }, h("h2", {}, w.title), this.file), this.problems, this.box, this.tools, this.facts);
    this.shown = "";
    this.opened = performance.now();
    /** @type {Latest|null} the frame whose picture is on its way: its marks come with it */
    this.coming = null;
    this.image.addEventListener("load", () => {
      this.image.hidden = false;
      this.empty.hidden = true;
      this.tools.hidden = false;
      if (this.coming) this.drawMarks(this.coming);
    });
    this.image.addEventListener("error", () => { this.shown = ""; });
  }

  /**
   * What is wrong with the frame, or with there being none, in sentences.
   * @param {State} state
   * @param {number|null} ageMs of the last frame
   */
  troubles(state, ageMs) {
    const w = words.picture;
    const l = state.latest;
    const list = [];
    if (l?.problem) list.push(sentence(l.problem.said, l.problem.message));
    if (l?.clock_suspect) list.push(words.age.clock);
    for (const warning of state.warnings ?? []) {
      if (seen.has(warning.code)) list.push(notice(warning));
    }
    const silent = ageMs ?? performance.now() - this.opened;
    const awaited = ["place", "waiting", "measuring", "adjusting", "confirming"].includes(state.phase);
    if (awaited && silent > silentMs && state.source.folder && !state.rig) list.push(w.silent(age(silent), state.source.folder));
    return [...new Set(list)];
  }

  /**
   * @param {State} state
   * @param {number|null} ageMs
   */
  renderTroubles(state, ageMs) {
    const list = this.troubles(state, ageMs);
    this.problems.hidden = list.length === 0;
    while (this.problems.children.length > list.length) this.problems.lastChild?.remove();
    list.forEach((text, i) => {
      const item = this.problems.children[i] ?? this.problems.appendChild(h("li"));
      setText(item, text);
    });
  }

  /** @param {Latest|undefined} l */
  render(l) {
    if (!l) return;
    const w = words.picture;
    this.file.textContent = l.file;
    const facts = l.solved
      ? [w.stars(l.matched, l.detected), w.rms(spread(l.rms_arcsec)),
        w.field(number(l.field_w_deg, 2, "°"), number(l.field_h_deg, 2, "°")), place(l.ra_deg, l.dec_deg)]
      : [w.unsolved];
    if (l.pole && !l.pole.inside) facts.push(w.away(number(l.pole.away_deg, 1, "°")));
    if (l.sight) facts.push(w.looks(number(l.sight.alt_deg, 0, "°"), number(l.sight.az_deg, 0, "°")));
    if (l.mid_utc) facts.push(w.mid(clock(l.mid_utc)));
    this.facts.textContent = facts.join(" · ");
    this.empty.textContent = "";
    if (!l.picture) {
      this.box.classList.add("waits"); // the old picture with its own marks
      return;
    }
    this.box.classList.remove("waits");
    this.box.style.setProperty("--ratio", String(l.picture.width_px / l.picture.height_px));
    this.coming = l;
    if (this.shown !== l.picture.url) {
      this.shown = l.picture.url;
      this.image.src = l.picture.url;
    } else if (this.image.complete) {
      this.drawMarks(l);
    }
    this.image.alt = w.alt(l.file, Math.min(mostMarks, l.stars?.length ?? 0));
  }

  /** @param {Latest} l */
  drawMarks(l) {
    // The picture has row 0 of the file at its bottom.
    const size = l.width_px / 100;
    this.marks.setAttribute("viewBox", `-0.5 -0.5 ${l.width_px} ${l.height_px}`);
    const stars = (l.stars ?? []).slice(0, mostMarks).map((s) => {
      const x = s.x_px, y = l.height_px - 1 - s.y_px;
      const d = `M${x + 0.8 * size} ${y}h${1.6 * size}M${x} ${y + 0.8 * size}v${1.6 * size}`;
      return svg("path", { d });
    });
    const w = words.picture;
    this.marks.replaceChildren(...stars, ...(l.put ?? []).flatMap((p) => put(l, p, size)), ...between(l, size), ...goal(l, l.pole, w.pole, size, true), ...goal(l, l.axis, w.axis, size, false));
  }
}

/**
 * Where a goal lies in the picture, or the place at its edge on the way to it.
 * @param {Latest} l
 * @param {InFrame} g
 * @param {number} margin
 */
function spot(l, g, margin) {
  if (g.inside && g.x_px !== null && g.y_px !== null) return { x: g.x_px, y: l.height_px - 1 - g.y_px };
  const a = ((g.towards_deg ?? 0) * Math.PI) / 180;
  const dx = Math.cos(a), dy = -Math.sin(a);
  const w = l.width_px / 2 - margin, hh = l.height_px / 2 - margin;
  const t = Math.min(Math.abs(w / (dx || 1e-9)), Math.abs(hh / (dy || 1e-9)));
  return { x: (l.width_px - 1) / 2 + t * dx, y: (l.height_px - 1) / 2 + t * dy };
}

/**
 * The pole is a plumb bob's point, the axis a peg; outside the picture an arrow
 * shows the way, and how far.
 * @param {Latest} l
 * @param {InFrame|undefined} g
 * @param {string} name
 * @param {number} size
 * @param {boolean} pole
 */
function goal(l, g, name, size, pole) {
  if (!g || g.away_deg === null) return [];
  if (!g.inside && !pole) return []; // the way to the pole is the way to the axis
  const p = spot(l, g, 4 * size);
  const left = p.x > l.width_px * 0.7, low = p.y > l.height_px * 0.15;
  const text = (/** @type {string} */ t) => svg("text", { x: p.x + (left ? -2.4 : 2.4) * size, y: p.y + (low ? -1.6 : 4.2) * size,
    "text-anchor": left ? "end" : "start", "font-size": 3.4 * size }, t);
  if (!g.inside) {
    const turn = -(g.towards_deg ?? 0);
    return [svg("path", { class: "goal", d: `M${p.x + 3 * size} ${p.y}l${-5 * size} ${-2.4 * size}v${4.8 * size}z`, transform: `rotate(${turn} ${p.x} ${p.y})` }),
      text(words.picture.wayTo(name, number(g.away_deg, 1, "°")))];
  }
  const d = pole ? `M${p.x} ${p.y}l${-1.6 * size} ${-3.4 * size}h${3.2 * size}z` : `M${p.x} ${p.y}v${3.6 * size}m${-1.5 * size} 0h${3 * size}`;
  return [svg("path", { class: pole ? "goal" : "peg", d }), text(name)];
}

/**
 * A star in its ring, and the cross to which it is to be brought; or the way to it.
 * @param {Latest} l
 * @param {NonNullable<Latest["put"]>[number]} p
 * @param {number} size
 */
function put(l, p, size) {
  const x = p.x_px, y = l.height_px - 1 - p.y_px, a = ((p.towards_deg ?? 0) * Math.PI) / 180;
  const ring = svg("circle", { class: "ring", cx: x, cy: y, r: 2 * size });
  const long = p.inside && p.to_x_px !== null && p.to_y_px !== null ? Math.hypot(p.to_x_px - p.x_px, p.to_y_px - p.y_px) : 16 * size;
  const tx = x + long * Math.cos(a), ty = y - long * Math.sin(a);
  const line = svg("line", { class: "between", x1: x + 2 * size * Math.cos(a), y1: y - 2 * size * Math.sin(a), x2: tx, y2: ty, "stroke-dasharray": `${size} ${size}` });
  if (p.inside) return [ring, line, svg("path", { class: "cross", d: `M${tx - 2.4 * size} ${ty}h${4.8 * size}M${tx} ${ty - 2.4 * size}v${4.8 * size}` })];
  return [ring, line, svg("path", { class: "goal", d: `M${tx} ${ty}l${-2.6 * size} ${-1.3 * size}v${2.6 * size}z`, transform: `rotate(${-(p.towards_deg ?? 0)} ${tx} ${ty})` })];
}

/**
 * A dashed line from axis to pole, when both are in the picture.
 * @param {Latest} l
 * @param {number} size
 */
function between(l, size) {
  if (!l.pole?.inside || !l.axis?.inside) return [];
  const a = spot(l, l.axis, 0), b = spot(l, l.pole, 0);
  return [svg("line", { x1: a.x, y1: a.y, x2: b.x, y2: b.y, class: "between", "stroke-dasharray": `${size} ${size}` })];
}
