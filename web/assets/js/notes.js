// What the service remembers for the page: notes, tonight's marks, and what
// earlier nights at this place came to.

import { ask, send } from "./link.js";

/** @typedef {import("./types.js").Offset} Offset */
/** @typedef {{scale_deg?: number, bearing_deg?: number, words?: string}} Marks */
/**
 * @typedef {object} Night
 * @property {string} began_utc
 * @property {Marks} marks
 * @property {Offset} [first]
 * @property {Offset} [result]
 * @property {boolean} confirmed
 * @property {{total_arcmin: number|null}} [lock]
 */

/** @type {Record<string, any>} */
let notes = {};
/** @type {Marks} */
let marks = {};
/** @type {Night[]} */
let nights = [];
/** The number of the newest thing noted, as the state tells it; -1 before the first. */
let known = -1;
let place = "";
/** Whether that number may be another service's. */
let anew = false;

/** @type {Promise<boolean>|null} what is being read just now */
let reading = null;

/** Has everything read again with the next state: a service that was started anew counts anew. */
export function askAnew() {
  anew = true;
}

/**
 * Reads everything again when something was noted since, or the place is
 * another one. Resolves, once it is all known, to whether anything was read.
 * @param {import("./types.js").State|null} state
 * @returns {Promise<boolean>}
 */
export async function recall(state) {
  if (reading) await reading; // what was read may be what is wanted, or already old
  const there = JSON.stringify([state?.site?.lat_deg, state?.site?.lon_deg]);
  const newest = state?.memories ?? 0;
  if (newest === known && there === place && !anew) return false;
  if (!reading) anew = false;
  reading ??= read().then((done) => {
    reading = null;
    anew ||= !done;
    if (done) [known, place] = [newest, there];
    return done;
  });
  return reading;
}

async function read() {
  try {
    const r = await ask("memories");
    if (!r.ok) return false;
    ({ notes, marks, nights } = await r.json());
    return true;
  } catch {
    return false; // asked again with the next message
  }
}

/** Whether what is remembered was read once. */
export function remembers() {
  return known >= 0;
}

/** @param {string} key */
export function note(key) {
  return notes[key];
}

/**
 * Keeps a note. Resolves as send does.
 * @param {string} key
 * @param {any} value
 */
export function keep(key, value) {
  notes = { ...notes, [key]: value };
  return send("note", { key, value });
}

export function tonight() {
  return marks;
}

export function earlier() {
  return nights;
}

/** @param {Marks} m */
export function mark(m) {
  marks = m;
  return send("marks", m);
}

/**
 * What the latitude scale, or the compass, should read by earlier nights: what it
 * read then, less how far off the axis was found to be. Null without such nights.
 * @param {"scale"|"bearing"} what
 * @returns {{deg: number, nights: number}|null}
 */
export function lastTime(what) {
  /** @type {number[]} */
  const right = [];
  for (const n of nights) {
    const read = what === "scale" ? n.marks.scale_deg : n.marks.bearing_deg;
    const off = what === "scale" ? n.first?.alt_arcmin : n.first?.az_arcmin;
    if (read === undefined || off === undefined || off === null) continue;
    right.push(read - off / 60);
  }
  if (right.length === 0) return null;
  // Bearings are averaged about the newest one, so that 359 and 1 give 0.
  const newest = right[0];
  const mean = right.reduce((sum, v) => sum + (((v - newest + 540) % 360) - 180), 0) / right.length;
  return { deg: what === "bearing" ? (newest + mean + 360) % 360 : newest + mean, nights: right.length };
}
