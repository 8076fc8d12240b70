// Earlier nights in words.

import { angle } from "../format.js";
import { words } from "../words.js";

/**
 * @param {import("../notes.js").Night[]} nights
 * @returns {string[]}
 */
export function nightLines(nights) {
  const w = words.nights;
  return nights.map((n) => {
    const day = new Date(n.began_utc).toLocaleDateString(undefined, { dateStyle: "medium" });
    const parts = [
      n.first && w.first(angle(n.first.total_arcmin)),
      n.result && (n.confirmed ? w.confirmed : w.ended)(angle(n.result.total_arcmin)),
      n.lock && w.lock(angle(n.lock.total_arcmin)),
    ].filter((p) => p);
    return `${day}: ${parts.length ? parts.join(", ") : w.nothing}.`;
  });
}
