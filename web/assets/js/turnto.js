// Which way to turn the right ascension axis, and why that way.

import { number } from "./format.js";
import { words } from "./words.js";

/**
 * @param {import("./types.js").TurnTo} t
 * @returns {{sign: string, way: string, back: boolean, why: string[]}}
 */
export function turnLines(t) {
  const w = words.turnTo;
  const clockwise = (t.by_deg ?? 0) > 0;
  const say = (/** @type {string[]|undefined} */ codes) => (codes ?? []).map((c) => w.against[c] ?? c);
  const why = [w.keeps(number(t.lowest_deg, 0, "°"))];
  if (t.against?.length) why.push(w.both(say(t.against)));
  else if (t.other_against?.length) why.push(w.other(say(t.other_against)));
  else why.push(w.either);
  return { sign: clockwise ? "↻" : "↺", way: clockwise ? w.clockwise : w.anticlockwise, back: t.back, why };
}
