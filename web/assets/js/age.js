// How old things are, by the service's clock: a phone's own clock may be
// wrong, and it may have slept.

/** @type {{sent: number, ticks: number, date: number}|null} */
let base = null;

/**
 * Called with every message.
 * @param {number} sentMs the service's clock when it sent the message
 */
export function heard(sentMs) {
  base = { sent: sentMs, ticks: performance.now(), date: Date.now() };
}

/**
 * The service's time now. Of the two clocks of the browser the one that went
 * further counts: the monotonic one may stop while a phone sleeps, and data
 * taken for older than they are do no harm.
 * @returns {number|null}
 */
export function serviceNow() {
  if (!base) return null;
  return base.sent + Math.max(performance.now() - base.ticks, Date.now() - base.date, 0);
}

/**
 * Age of the last frame, in ms; null when there is none.
 * @param {import("./types.js").State|null} state
 */
export function frameAge(state) {
  const now = serviceNow();
  if (now === null || !state?.latest) return null;
  return Math.max(0, now - state.latest.read_ms);
}

/**
 * Whether a frame should have come since, so that what stands there is old. What stands behind locked bolts is as true
 * in a pause between frames, as before a long exposure: its age stands beside it.
 * @param {import("./types.js").State|null} state
 */
export function overdue(state) {
  if (state?.phase === "done" || state?.phase === "watching") return false;
  return (frameAge(state) ?? 0) > (state?.stale_after_ms ?? 0);
}
