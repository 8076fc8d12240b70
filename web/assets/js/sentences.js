// The service's sentences, by their codes, in the words of this page's language.

import { angle, clock, number, primes, sentenceLike, spread } from "./format.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").Said} Said */
/** @typedef {import("./types.js").SaidArg} SaidArg */

/**
 * What stands in a sentence, as a person reads it.
 * @param {SaidArg} a
 * @returns {string}
 */
function argument(a) {
  if (a.said) return sentenceLine(a.said, a.said.text);
  if (a.number !== undefined) return number(a.number, a.digits ?? 0);
  if (a.count !== undefined) return String(a.count);
  if (a.size_arcsec !== undefined) return angle((a.size_arcsec ?? 0) / 60);
  if (a.known_arcsec !== undefined) return spread(a.known_arcsec);
  if (a.whole_deg !== undefined) return number(a.whole_deg, 0, "°");
  return a.text ?? "";
}

/**
 * A sentence as a heading and what follows it. Where the catalogue has none the
 * service's own stands.
 * @param {Said|undefined} said
 * @param {string} text
 * @returns {{head: string, line: string}}
 */
export function sentenceParts(said, text) {
  const entry = said && (words.said[said.code] ?? words.service[said.code]);
  if (said?.code === "warning") { // by the warning's own code
    const own = words.warning[said.args?.[0]?.text ?? ""];
    if (own) return { head: own, line: "" };
  }
  if (!said || !entry) return { head: primes(text), line: "" };
  const answer = entry(...(said.args ?? []).map(argument));
  return typeof answer === "string" ? { head: answer, line: "" } : { head: answer[0], line: answer[1] };
}

/**
 * The same in one piece.
 * @param {Said|undefined} said
 * @param {string} text
 */
export function sentenceLine(said, text) {
  const { head, line } = sentenceParts(said, text);
  return line ? `${head.replace(/[.!?。]?$/, words.stop)} ${line}` : head;
}

/**
 * The same with its capital and its stop; empty for none.
 * @param {Said|undefined} said
 * @param {string|undefined} text
 */
export function sentence(said, text) {
  return text ? sentenceLike(sentenceLine(said, text)) : "";
}

/**
 * A warning in the words of this language, with the frame that it is about.
 * @param {import("./types.js").Notice} n
 */
export function notice(n) {
  const text = words.warning[n.code];
  if (!text) return sentenceLike(n.message);
  return n.frame ? sentenceLike(`${words.frame(n.frame.number, clock(n.frame.mid_utc))}: ${text}`) : text;
}
