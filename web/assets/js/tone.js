// A tone while bolts are turned, so that the eyes can stay on the bolt. With each
// new frame two short notes sound: a fixed one for the pole, then one for the axis.
// They stand two octaves apart when the axis is far off and draw together as it
// comes near; inside the tolerance they are one, and a third note closes the chord.
// From an old or doubtful number nothing sounds.

import { h } from "./dom.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

// The pole's note: where small loudspeakers and older ears still serve.
const poleHz = 440;
// Farther off than this both notes stay as far apart as they get: two octaves.
const farArcmin = 180, widest = 24;
const noteS = 0.16, gapS = 0.2;

/**
 * How many semitones the axis's note stands above the pole's: 0 inside the
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

export class Tone {
  constructor() {
    this.on = false;
    try { this.on = localStorage.getItem("sound") === "on"; } catch { /* not remembered: off */ }
    /** @type {AudioContext|null} */
    this.context = null;
    this.heard = -1;
    this.button = h("button", { type: "button", class: "sound", title: words.sound.label,
      onclick: () => this.toggle() });
    this.label();
    // A browser lets sound begin only with a touch; the first one will do.
    addEventListener("pointerdown", () => { if (this.on) this.wake(); }, { passive: true });
  }

  label() {
    this.button.textContent = this.on ? words.sound.on : words.sound.off;
    this.button.setAttribute("aria-pressed", String(this.on));
  }

  toggle() {
    this.on = !this.on;
    try { localStorage.setItem("sound", this.on ? "on" : "off"); } catch { /* not remembered, then */ }
    this.label();
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
    const total = state.now?.offset.total_arcmin;
    if (total === null || total === undefined) return;
    const up = interval(total, state.tolerance_arcmin ?? 1);
    this.play(up === 0 ? [0, 0, 7] : [0, up]);
  }

  /** @param {number[]} notes semitones above the pole's */
  play(notes) {
    const c = this.wake();
    notes.forEach((n, i) => {
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
