// What to turn a bolt by, in turns, once its answer is learnt.

import { primes } from "./format.js";

/**
 * The session's own words for the bolt, without the bolt's name, which stands
 * above it; empty while its answer is not learnt.
 * @param {import("./types.js").State} state
 * @param {string} bolt
 */
export function strokeOf(state, bolt) {
  const stroke = state.strokes?.find((s) => s.bolt === bolt);
  if (!stroke) return "";
  const text = primes(stroke.text).replace(new RegExp(`^${bolt} bolt: `), "");
  return text.slice(0, 1).toUpperCase() + text.slice(1);
}
