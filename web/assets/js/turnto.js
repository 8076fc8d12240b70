// Which way to turn the right ascension axis, and why that way.

import { number } from "./format.js";
import { words } from "./words.js";

/**
 * @param {import("./types.js").TurnTo} t
 * @returns {{sign: string, lines: string[]}}
 */
export function turnLines(t) {
  const w = words.turnTo;
  const clockwise = (t.by_deg ?? 0) > 0;
  const way = clockwise ? w.clockwise : w.anticlockwise;
  const say = (/** @type {string[]|undefined} */ codes) => (codes ?? []).map((c) => w.against[c] ?? c);
  const lines = [w.line(way, number(t.lowest_deg, 0, "°"))];
  if (t.against?.length) lines.push(w.both(say(t.against)));
  else if (t.other_against?.length) lines.push(w.other(say(t.other_against)));
  else lines.push(w.either);
  return { sign: clockwise ? "↻" : "↺", lines };
}
