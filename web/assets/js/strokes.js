// What to turn a bolt by, in turns, once its answer is learnt.

import { turns } from "./format.js";
import { words } from "./words.js";

/**
 * How far and which way by the hand; empty while the bolt's answer is not learnt.
 * @param {import("./types.js").State} state
 * @param {string} bolt
 */
export function strokeOf(state, bolt) {
  const by = state.strokes?.find((s) => s.bolt === bolt)?.turn_deg;
  return by === null || by === undefined ? "" : words.stroke(turns(by / 360), by > 0);
}
