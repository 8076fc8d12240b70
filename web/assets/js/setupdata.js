// The set-up data of the place and the minute, as the service computes it.

import { number } from "./format.js";
import { ask } from "./link.js";
import { note } from "./notes.js";
import { language, words } from "./words.js";

/** @typedef {{distance_arcmin: number, position_angle_deg: number, east_arcmin: number, up_arcmin: number}} StarOffset */
/** @typedef {{through: string, right_arcmin: number, up_arcmin: number, clock_hours: number}} StarView */
/** @typedef {{time_utc: string, az_deg: number, length_per_height: number, turn_deg_per_minute: number, sun_alt_deg: number}} Shadow */
/**
 * @typedef {object} PoleStar
 * @property {string} name
 * @property {number} magnitude_v
 * @property {number} hour_angle_deg
 * @property {{alt_deg: number, az_deg: number}} seen
 * @property {number} polar_distance_arcmin
 * @property {StarOffset} from_refracted_pole
 * @property {StarOffset} from_true_pole
 * @property {StarView[]} views
 */
/**
 * @typedef {object} SetupData
 * @property {{lat_deg: number, lon_deg: number, elevation_m: number}} site
 * @property {{pressure_hpa: number, usual_pressure_hpa: number, temperature_c: number}} air
 * @property {string} time_utc
 * @property {{kind: string, alt_deg: number, az_deg: number}} pole
 * @property {"german"|"fork"|"tracker"} mount
 * @property {{set_deg: number, low: boolean, near_deg: number, refraction_arcmin: number, refraction_uncertainty_arcsec: number}} latitude_scale
 * @property {{leg_azimuths_deg: number[], level_near_deg: number, shaft_near_leg: boolean, coupling?: {altitude_arcmin_per_azimuth_deg: number, east_arcmin_per_altitude_deg: number}}} ground
 * @property {{bearing_deg: number, declination_deg: number, uncertainty_deg: number, change_deg_per_year: number, use: string, model: string}} [compass]
 * @property {{up: boolean, alt_deg: number, events: {event: string, time_utc: string, shadow_az_deg?: number}[], shadow?: Shadow, shadows: Shadow[]}} sun
 * @property {PoleStar[]} pole_stars
 * @property {{magnification: number, true_field_arcmin: number, holds_pole_star: boolean}} [eyepiece]
 * @property {Record<string, string[]>} steps
 * @property {{title: string, text: string}[]} cautions
 * @property {{code: string, message: string}[]} warnings
 */

/**
 * Asks for the set-up data. Null when there are none: the place is not known, or the
 * service cannot be reached.
 * @param {string} [at] another time, ISO 8601 with its zone
 * @param {string} [kind] of the mount; without it the one that is noted
 * @returns {Promise<SetupData|null>}
 */
export async function fetchSetup(at, kind = note("mount")?.kind ?? "german") {
  const q = new URLSearchParams();
  const eyepiece = note("eyepiece");
  for (const key of ["telescope_mm", "eyepiece_mm", "apparent_field_deg", "field_stop_mm"]) {
    if (eyepiece?.[key]) q.set(key, String(eyepiece[key]));
  }
  q.set("mount", kind);
  if (at) q.set("at", at);
  try {
    const r = await ask(`setup?${q}`);
    return r.ok ? inOwnWords(await r.json()) : null;
  } catch {
    return null;
  }
}

/**
 * The data's own sentences are in English: in another language the catalogue's stand for them.
 * @param {SetupData} setup
 */
function inOwnWords(setup) {
  if (language === "en") return setup;
  const scale = setup.latitude_scale.set_deg;
  const a = { south: setup.site.lat_deg < 0, scale: number(scale, 1, "°"), wedge: number(90 - scale, 1, "°"), near: number(setup.latitude_scale.near_deg, 0, "°"), level: number(setup.ground.level_near_deg, 0, "°") };
  const steps = Object.fromEntries(Object.keys(setup.steps).map((k) => [k, words.setup.steps?.[k]?.(a) ?? []]));
  const cautions = words.setup.cautionList.map(([title, text]) => ({ title, text }));
  forThisMount(setup, steps, cautions, a);
  return { ...setup, steps, cautions, warnings: setup.warnings.map((w) => ({ ...w, message: words.warning[w.code] ?? w.message })) };
}

/**
 * The catalogue's steps are those of a German mount under a pole that stands high: here they
 * become those of the mount and the place.
 * @param {SetupData} setup
 * @param {Record<string, string[]>} steps
 * @param {{title: string, text: string}[]} cautions in the order of the service's
 * @param {import("./words/en-mounts.js").Amounts} a
 */
function forThisMount({ mount, latitude_scale: { low }, ground }, steps, cautions, a) {
  const w = words.setup.mounts;
  const own = w.steps;
  if (!own) return;
  const german = mount === "german";
  if (ground.shaft_near_leg) steps.ground[1] = own.between(a);
  else if (!german) steps.ground[1] = own.load(a);
  if (!german) steps.latitude_scale[0] = own.scale(a);
  if (low) steps.latitude_scale.push(own.hinges);
  const anywhere = /** @type {string} */ (steps.starting_position.pop());
  const sky = low ? w.low(a.scale) : anywhere;
  // What a German mount is balanced with stands third, and last that some leave the east heavier.
  const asUsed = steps.balance[2], east = steps.balance[steps.balance.length - 1];
  if (mount === "german") {
    steps.starting_position.push(sky, own.keys);
    return;
  }
  const fork = mount === "fork";
  steps.balance = fork ? own.balance.fork(asUsed, east) : own.balance.tracker(asUsed);
  steps.starting_position = fork ? own.start.fork(a, sky, own.keys) : own.start.tracker(a, own.keys);
  if (low && fork) steps.starting_position.push(own.forkLow(a));
  [cautions[1].title, cautions[1].text] = own.falls[mount];
  cautions[3].text = own.fingers[mount];
}
