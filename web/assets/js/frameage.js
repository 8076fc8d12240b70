// How old all this is: always in sight.

import { frameAge, serviceNow } from "./age.js";
import { byId, setText } from "./dom.js";
import { age, number } from "./format.js";
import { words } from "./words.js";

/**
 * @param {HTMLElement} element
 * @param {import("./types.js").State|null} state
 * @param {import("./now.js").Trust} trust
 * @param {{state: import("./link.js").LinkState, retryAt: number|null, everOpen: boolean}} link
 */
export function renderFrameAge(element, state, trust, link) {
  const w = words.age;
  const a = frameAge(state);
  let mood = a === null ? "none" : trust.stale ? "old" : "fresh";
  let text = a === null ? w.none : (trust.stale ? w.old : w.fresh)(age(a));
  let note = "";
  const l = state?.latest;
  if (l && !l.solved) note = w.unsolved;
  else if (l?.took_ms) note = w.took(l.took_ms < 1000 ? `${number(l.took_ms, 0)} ms` : `${number(l.took_ms / 1000, 1)} s`);
  if (l?.clock_suspect) note = w.clock;
  const r = state?.reading;
  if (r) note = [w.stage[r.stage]?.(age(Math.max(0, (serviceNow() ?? 0) - (r.since_ms ?? 0)))), r.waiting > 0 && w.more(r.waiting)].filter((t) => t).join(" · ");
  const left = link.retryAt === null ? 0 : Math.ceil((link.retryAt - performance.now()) / 1000);
  if (link.state !== "open" && !link.everOpen) {
    mood = "none";
    text = w.connecting;
    if (trust.unreached) note = w.lost(left);
  } else if (trust.lost) {
    mood = "lost";
    note = link.state === "stopped" ? w.stopped : link.state === "unpaired" ? w.unpaired : w.lost(left);
  }
  element.setAttribute("aria-label", w.label);
  element.dataset.state = mood;
  setText(byId("frame-age-text"), text);
  setText(byId("frame-age-note"), note);
  const full = state?.stale_after_ms ?? 1;
  byId("frame-age-fill").style.setProperty("--left", String(a === null ? 0 : Math.max(0, 1 - a / full)));
}
