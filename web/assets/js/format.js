// Numbers as a person reads them at the mount.

import { language } from "./words.js";

/** @typedef {import("./types.js").Num} Num */

const none = "–";

// Languages that write the decimals behind a comma.
const comma = ["de", "fr", "es", "it"].includes(language);

/**
 * @param {number} x
 * @param {number} digits
 */
function fixed(x, digits) {
  const text = x.toFixed(digits);
  return comma ? text.replace(".", ",") : text;
}

/**
 * Size of an angle: whole arcseconds below an arcminute, tenths of arcminutes
 * below a degree, hundredths of degrees from there on.
 * @param {Num|undefined} arcmin
 */
export function angle(arcmin) {
  if (arcmin === null || arcmin === undefined) return none;
  const a = Math.abs(arcmin);
  if (Math.round(a * 60) < 60) return `${fixed(a * 60, 0)}″`;
  if (Math.round(a * 10) < 600) return `${fixed(a, 1)}′`;
  return `${fixed(a / 60, 2)}°`;
}

/**
 * The same for the one large number: tenths of degrees from ten degrees on, so that it
 * is never longer than four digits.
 * @param {Num|undefined} arcmin
 */
export function figure(arcmin) {
  if (arcmin !== null && arcmin !== undefined && Math.abs(arcmin) >= 600) return `${fixed(Math.abs(arcmin) / 60, 1)}°`;
  return angle(arcmin);
}

/**
 * A message as a sentence: with a capital and its full stop.
 * @param {string} text
 */
export function sentenceLike(text) {
  const t = primes(text.trim());
  return t.slice(0, 1).toUpperCase() + t.slice(1) + (/[.!?。！？…]$/.test(t) ? "" : ".");
}

/**
 * An uncertainty, never shown as zero.
 * @param {Num|undefined} arcsec
 */
export function spread(arcsec) {
  if (arcsec === null || arcsec === undefined) return none;
  if (arcsec < 0.1) return `${fixed(0.1, 1)}″`;
  if (arcsec < 10) return `${fixed(arcsec, 1)}″`;
  return angle(arcsec / 60);
}

/**
 * @param {Num|undefined} x
 * @param {number} digits
 * @param {string} [unit]
 */
export function number(x, digits, unit = "") {
  return x === null || x === undefined ? none : fixed(x, digits).replace("-", "−") + unit;
}

/**
 * Degrees of a turn, signed.
 * @param {Num|undefined} deg
 */
export function turn(deg) {
  if (deg === null || deg === undefined) return none;
  const size = fixed(Math.abs(deg), 1);
  return `${/[1-9]/.test(size) ? (deg > 0 ? "+" : "−") : ""}${size}°`;
}

// Languages that do not write the international signs of seconds, minutes and hours after a number in a sentence.
const [second, minute, hour] = (/** @type {Record<string, string[]>} */ ({ ja: ["秒", "分", "時間"], zh: [" 秒", " 分钟", " 小时"] }))[language] ?? [" s", " min", " h"];

/**
 * An age: seconds, then minutes, then hours.
 * @param {number} ms
 */
export function age(ms) {
  const s = Math.max(0, Math.round(ms / 1000));
  if (s < 100) return s + second;
  const m = Math.floor(s / 60);
  if (m < 100) return m + minute;
  return Math.floor(m / 60) + hour;
}

/**
 * Right ascension in hours, minutes and seconds, declination in degrees,
 * minutes and seconds.
 * @param {Num|undefined} raDeg
 * @param {Num|undefined} decDeg
 */
export function place(raDeg, decDeg) {
  if (raDeg === null || raDeg === undefined || decDeg === null || decDeg === undefined) return none;
  const s = Math.round(raDeg * 240) % 86400;
  const d = Math.round(Math.abs(decDeg) * 3600);
  const two = (/** @type {number} */ n) => String(n).padStart(2, "0");
  return `${two(Math.floor(s / 3600))}h ${two(Math.floor(s / 60) % 60)}m ${two(s % 60)}s, ` +
    `${decDeg < 0 ? "−" : "+"}${two(Math.floor(d / 3600))}° ${two(Math.floor(d / 60) % 60)}′ ${two(d % 60)}″`;
}

/**
 * The clock part of a UTC time on the wire.
 * @param {string|undefined} utc
 */
export function clock(utc) {
  return utc ? utc.slice(11, 19) : none;
}

/**
 * The service's sentences with primes in place of typewriter quotes, and with minus signs.
 * @param {string} text
 */
export function primes(text) {
  return text.replace(/(\d)'/g, "$1′").replace(/(\d)"/g, "$1″").replace(/(^|[\s(])-(?=\d)/g, "$1−");
}

/**
 * A signed angle as its size and one of two words.
 * @param {Num|undefined} deg
 * @param {number} digits
 * @param {string} positive
 * @param {string} negative
 */
export function side(deg, digits, positive, negative) {
  if (deg === null || deg === undefined) return none;
  return `${fixed(Math.abs(deg), digits)}° ${deg < 0 ? negative : positive}`;
}

/**
 * Hours on a clock's face to the nearest five minutes, as one says them: the hour from 1
 * to 12, and the minutes.
 * @param {number} hours
 * @returns {[number, number]}
 */
export function dialTime(hours) {
  const minutes = (Math.round(hours * 12) * 5) % 720;
  return [Math.floor(minutes / 60) || 12, minutes % 60];
}

// Parts of a turn that have a sign of their own.
/** @type {[number, string][]} */
const signs = [[1 / 8, "⅛"], [1 / 6, "⅙"], [1 / 5, "⅕"], [1 / 4, "¼"], [1 / 3, "⅓"], [3 / 8, "⅜"], [2 / 5, "⅖"], [1 / 2, "½"], [3 / 5, "⅗"], [2 / 3, "⅔"], [3 / 4, "¾"], [5 / 6, "⅚"]];

/**
 * The size of a turn as a hand does it: ⅓, 1/16, 1¼.
 * @param {number} n
 */
export function turns(n) {
  const size = Math.abs(n), whole = Math.floor(size + 1e-6), part = size - whole;
  if (whole === 0 && part < 0.115) return `1/${Math.round(1 / Math.max(part, 0.005))}`;
  if (part < 0.06) return String(whole);
  if (part > 0.87) return whole === 0 ? "9/10" : String(whole + 1);
  const sign = signs.reduce((best, s) => (Math.abs(part - s[0]) < Math.abs(part - best[0]) ? s : best));
  return `${whole || ""}${sign[1]}`;
}

/**
 * A UTC time on the wire by the browser's clock, to the minute.
 * @param {string} utc
 */
export function time(utc) {
  const t = new Date(utc);
  return `${String(t.getHours()).padStart(2, "0")}:${String(t.getMinutes()).padStart(2, "0")}`;
}
