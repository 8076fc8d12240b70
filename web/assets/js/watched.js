// What ordinary exposures tell of the axis, this night and on those before.

import { h } from "./dom.js";
import { angle, number, spread } from "./format.js";
import { nightsChart } from "./nights.js";
import { sentenceLine } from "./sentences.js";
import { words } from "./words.js";

/**
 * @param {HTMLElement} root
 * @param {import("./types.js").State} state
 */
export function renderWatched(root, state) {
  const w = words.watched;
  const watch = state.watch;
  const shown = Boolean(watch && (state.phase === "done" || state.phase === "watching"));
  root.hidden = !shown;
  if (!watch || !shown) return;
  const nights = watch.nights ?? [];
  const chart = nightsChart(state);
  root.replaceChildren(
    h("h2", {}, w.title),
    h("p", { class: "sub" }, w.span(watch.frames, number(watch.minutes, 0))),
    ...(watch.said ?? []).map((s) => h("p", {}, sentenceLine(s, s.text))),
    ...(nights.length ? [h("h3", {}, w.nights), ...(chart ? [chart] : []), h("ul", { class: "plain" }, nights.slice(-5).reverse().map((n) =>
      h("li", {}, w.night(new Date(n.since_utc).toLocaleDateString(undefined, { dateStyle: "medium" }),
        angle(n.offset.total_arcmin), spread(n.uncertainty_arcsec), n.frames))))] : []));
}
