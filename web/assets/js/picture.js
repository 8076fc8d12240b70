// The frame just read, with its matched stars: each between two short ticks,
// as on a finder chart.

import { h, svg } from "./dom.js";
import { clock, number, place, primes, spread } from "./format.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").Latest} Latest */

// More marks than this hide the picture.
const mostMarks = 60;

export class PicturePanel {
  /** @param {HTMLElement} root */
  constructor(root) {
    const w = words.picture;
    this.image = h("img", { alt: "", decoding: "async", hidden: true });
    this.marks = svg("svg", { class: "marks", "aria-hidden": "true", preserveAspectRatio: "none" });
    this.empty = h("p", { class: "picture-none" }, w.none);
    this.box = h("div", { class: "picture-box" }, this.image, this.marks, this.empty);
    this.title = h("h2", {}, w.title);
    this.file = h("p", { class: "picture-file" });
    this.facts = h("p", { class: "picture-facts" });
    this.problem = h("p", { class: "picture-problem", hidden: true });
    root.append(h("div", { class: "panel-head" }, this.title, this.file), this.box, this.problem, this.facts);
    this.shown = "";
    this.image.addEventListener("load", () => { this.image.hidden = false; this.empty.hidden = true; });
    this.image.addEventListener("error", () => { this.shown = ""; });
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
    if (l.mid_utc) facts.push(w.mid(clock(l.mid_utc)));
    this.facts.textContent = facts.join(" · ");
    this.problem.hidden = !l.problem;
    this.problem.textContent = primes(l.problem?.message ?? "");
    this.empty.textContent = "";
    if (!l.picture) {
      this.box.classList.add("waits");
      this.marks.replaceChildren();
      return;
    }
    this.box.classList.remove("waits");
    this.box.style.setProperty("--ratio", String(l.picture.width_px / l.picture.height_px));
    if (this.shown !== l.picture.url) {
      this.shown = l.picture.url;
      this.image.src = l.picture.url;
    }
    this.drawMarks(l);
    this.image.alt = w.alt(l.file, Math.min(mostMarks, l.stars?.length ?? 0));
  }

  /** @param {Latest} l */
  drawMarks(l) {
    // The picture has row 0 of the file at its bottom.
    const size = l.width_px / 100;
    this.marks.setAttribute("viewBox", `-0.5 -0.5 ${l.width_px} ${l.height_px}`);
    this.marks.replaceChildren(...(l.stars ?? []).slice(0, mostMarks).map((s) => {
      const x = s.x_px, y = l.height_px - 1 - s.y_px;
      const d = `M${x + 0.8 * size} ${y}h${1.6 * size}M${x} ${y + 0.8 * size}v${1.6 * size}`;
      return svg("path", { d });
    }));
  }
}
