// A tone while bolts are turned, so that the eyes can stay on the bolt. With each new frame
// short notes sound: the pole's, once for the altitude bolt and twice for the azimuth bolt,
// then the axis's. That is the higher one when the axis stands too high, or too far to the
// right of who faces the pole, and the lower one on the other side. They stand more than an
// octave apart when the axis is far off and draw together as it comes near; inside the
// tolerance they are one, and a last note closes the chord. From an old or doubtful number
// nothing sounds.

import { h } from "./dom.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

// The pole's note, so that the lowest and the highest of the axis's lie where small
// loudspeakers and older ears still serve: from 220 to 1250 Hz.
const poleHz = 523;
// Farther off than this both notes stay as far apart as they get, in semitones.
const farArcmin = 180, widest = 15;
const noteS = 0.16, gapS = 0.2;

/**
 * How many semitones the axis's note stands from the pole's: 0 inside the
 * tolerance, growing with the logarithm of the error.
 * @param {number} arcmin
 * @param {number} tolerance arcminutes
 */
export function interval(arcmin, tolerance) {
  const from = Math.max(tolerance, 0.05);
  if (!(arcmin > from)) return 0;
  const far = Math.max(farArcmin, 4 * from);
  return widest * Math.min(1, Math.log(arcmin / from) / Math.log(far / from));
}

/**
 * The notes for a state, in semitones above the pole's.
 * @param {State} state
 * @returns {number[]} none where nothing is to be turned
 */
export function notes(state) {
  if (state.within) return [0, 0, 7];
  const move = state.now?.moves.find((m) => m.bolt === state.turning);
  if (!move || move.amount_arcmin === null) return [];
  const south = (state.site?.lat_deg ?? 0) < 0;
  // The axis stands where it has to leave.
  const above = { raise: false, lower: true, east: south, west: !south, tip_east: south, tip_west: !south }[move.way];
  const by = interval(move.amount_arcmin, move.gate_arcmin ?? 0);
  return [...(move.bolt === "azimuth" ? [0, 0] : [0]), above ? by : -by];
}

export class Sound {
  constructor() {
    this.on = false;
    try { this.on = localStorage.getItem("sound") === "on"; } catch { /* not remembered: off */ }
    /** @type {AudioContext|null} */
    this.context = null;
    this.heard = -1;
    this.button = h("button", { type: "button", class: "sound", role: "switch", "aria-checked": String(this.on), title: words.sound.label,
      onclick: () => this.toggle() }, words.sound.name);
    // A browser lets sound begin only with a touch; the first one will do.
    addEventListener("pointerdown", () => { if (this.on) this.wake(); }, { passive: true });
  }

  toggle() {
    this.on = !this.on;
    try { localStorage.setItem("sound", this.on ? "on" : "off"); } catch { /* not remembered, then */ }
    this.button.setAttribute("aria-checked", String(this.on));
    if (this.on) this.play([0, 0]);
  }

  wake() {
    this.context ??= new AudioContext();
    if (this.context.state === "suspended") this.context.resume();
    return this.context;
  }

  /**
   * Sounds once for each new frame in which bolts are turned.
   * @param {State|null} state
   * @param {import("./now.js").Trust} trust
   */
  hear(state, trust) {
    const id = state?.latest?.id ?? -1;
    const fresh = id !== this.heard;
    this.heard = id;
    if (!fresh || !this.on || trust.stale || trust.lost || state?.phase !== "adjusting" || state.doubt || !state.latest?.solved) return;
    this.play(notes(state));
  }

  /** @param {number[]} list semitones above the pole's */
  play(list) {
    if (list.length === 0) return;
    const c = this.wake();
    list.forEach((n, i) => {
      const at = c.currentTime + 0.02 + i * gapS;
      const sound = c.createOscillator(), loud = c.createGain();
      sound.type = "triangle";
      sound.frequency.value = poleHz * 2 ** (n / 12);
      loud.gain.setValueAtTime(0, at);
      loud.gain.linearRampToValueAtTime(0.25, at + 0.015);
      loud.gain.setTargetAtTime(0, at + noteS - 0.05, 0.03);
      sound.connect(loud).connect(c.destination);
      sound.start(at);
      sound.stop(at + noteS + 0.1);
    });
  }
}
