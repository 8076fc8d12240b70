// The controls of the simulated rig, in a rehearsal only.

import { h, setText } from "./dom.js";
import { angle, number, sentenceLike } from "./format.js";
import { send } from "./link.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").RigState} RigState */

/** Steps of the bolts, in arcminutes; by turns they are those of telling. */
const steps = [1 / 6, 1, 10, 60];

export class RigPanel {
  /**
   * @param {HTMLElement} root
   * @param {(text: string) => void} complain
   */
  constructor(root, complain) {
    const w = words.rig;
    this.root = root;
    this.complain = complain;
    this.name = h("p", { class: "rig-name" });
    this.stands = h("p", { class: "sub" });
    this.chosen = 2;
    this.byTurns = false;
    this.stepButtons = steps.map((s, i) => h("button", {
      type: "button", "aria-pressed": String(i === this.chosen), onclick: () => this.setStep(i),
    }, angle(s)));
    this.measure = h("button", { type: "button", class: "quiet", role: "switch", "aria-checked": "false", onclick: () => this.turnsOrAngles() }, w.byTurns);
    this.drive = this.button(w.drive, "D", () => send("rig/drive", { on: !this.state?.drive }));
    this.repeat = this.button(w.repeat, "R", () => send("rig/repeat", { on: !this.state?.repeating }));
    this.expose = this.button(w.expose, "F", () => send("rig/expose", {}));
    this.expose.classList.add("strong");
    for (const b of [this.drive, this.repeat]) b.setAttribute("role", "switch");
    /** @type {RigState|undefined} */
    this.state = undefined;
    const alt = (/** @type {number} */ s) => () => send("rig/altitude-bolt", { arcmin: s * this.step(this.state?.alt_per_turn_arcmin) });
    const az = (/** @type {number} */ s) => () => send("rig/azimuth-bolt", { arcmin: s * this.step(this.state?.az_per_turn_arcmin) });
    // The service turns as the sky does when positive: anticlockwise, for who faces
    // the pole, in the north, clockwise in the south.
    const ra = w.raButtons.map(({ deg, key }) =>
      this.button(w.raName(deg), key, () => send("rig/ra", { deg: this.south ? deg : -deg })));
    this.south = false;
    this.faults = h("details", { hidden: true }, h("summary", {}, w.faults));
    /** @type {HTMLButtonElement[]} */
    this.faultButtons = [];
    // On a phone the panel is a sheet over the lower part of the page, so that
    // the words above stay in sight; it can be put away.
    this.body = h("div", { class: "rig-body", id: "rig-body" });
    this.toggle = h("button", { type: "button", class: "quiet rig-toggle", "aria-controls": "rig-body", "aria-expanded": "true",
      onclick: () => this.show(this.body.hidden) }, w.controls);
    root.append(h("div", { class: "panel-head" }, h("h2", { id: "rig-title" }, w.title), this.name, this.toggle), this.body);
    this.body.append(
      h("div", { class: "rig-row last" }, this.drive, this.repeat, this.expose),
      h("div", { class: "rig-set" },
      h("div", { class: "rig-row for-ra", role: "group", "aria-label": w.ra }, h("p", { class: "label" }, w.ra), ra),
      h("div", { class: "rig-row for-bolts", role: "group", "aria-label": w.step }, h("p", { class: "label" }, w.step, this.measure), this.stepButtons),
      h("div", { class: "rig-bolts for-bolts" },
        h("div", { role: "group", "aria-label": words.bolt.altitude }, h("p", { class: "label" }, words.bolt.altitude),
          this.up = this.button(w.raise, "↑", alt(1)), this.down = this.button(w.lower, "↓", alt(-1))),
        h("div", { role: "group", "aria-label": words.bolt.azimuth }, h("p", { class: "label" }, words.bolt.azimuth),
          this.left = this.button(w.west, "←", az(-1)), this.right = this.button(w.east, "→", az(1))))),
      this.stands, this.faults);
    // On a short phone, or one on its side, the sheet would hide the number: it is opened at a press.
    const aside = matchMedia("(max-height: 43rem) and (max-width: 59.99rem)");
    let upright = true; // whether it is open there
    const lay = () => {
      if (aside.matches) upright = !this.body.hidden;
      this.show(!aside.matches && upright);
    };
    lay();
    aside.addEventListener("change", lay);
    root.addEventListener("keydown", (e) => this.key(e));
  }

  /**
   * @param {string} name
   * @param {string} key
   * @param {() => Promise<string|null|undefined>} act
   */
  button(name, key, act) {
    const b = h("button", { type: "button", "data-key": key || null },
      h("span", {}, name), key && h("kbd", { "aria-hidden": "true" }, key));
    b.addEventListener("click", async () => {
      b.setAttribute("aria-busy", "true");
      const problem = await act();
      b.removeAttribute("aria-busy");
      if (problem !== null) this.complain(problem ?? words.unreachable);
    });
    return b;
  }

  /** @param {boolean} open */
  show(open) {
    this.body.hidden = !open;
    this.root.dataset.open = String(open);
    this.toggle.setAttribute("aria-expanded", String(open));
  }

  /** Puts the sheet away; true where it lay over the page. */
  putAway() {
    if (this.root.hidden || this.body.hidden || !matchMedia("(max-width: 59.99rem)").matches) return false;
    const held = this.root.contains(document.activeElement);
    this.show(false);
    if (held) this.toggle.focus({ preventScroll: true });
    return true;
  }

  /**
   * What one press does, in arcminutes.
   * @param {number|null|undefined} perTurn
   */
  step(perTurn) {
    return this.byTurns ? words.boltReport.turns[this.chosen][0] * (perTurn ?? 0) : steps[this.chosen];
  }

  /** Turns the bolts by turns, as at a real mount, or by what they do to the axis. */
  turnsOrAngles() {
    this.byTurns = !this.byTurns;
    this.measure.setAttribute("aria-checked", String(this.byTurns));
    this.stepButtons.forEach((b, i) => setText(b, this.byTurns ? words.boltReport.turns[i][1] : angle(steps[i])));
    if (this.state) this.render(this.state, this.south);
  }

  /** @param {number} i */
  setStep(i) {
    this.chosen = i;
    this.stepButtons.forEach((b, j) => b.setAttribute("aria-pressed", String(i === j)));
  }

  /**
   * Keys work while the panel has the focus, so that nobody turns a bolt by
   * typing elsewhere.
   * @param {KeyboardEvent} e
   */
  key(e) {
    if (e.ctrlKey || e.altKey || e.metaKey) return;
    const arrows = /** @type {Record<string, string>} */ ({ ArrowUp: "↑", ArrowDown: "↓", ArrowLeft: "←", ArrowRight: "→" });
    const name = arrows[e.key] ?? e.key.toUpperCase();
    if (/^[1-4]$/.test(name)) {
      this.setStep(Number(name) - 1);
      return;
    }
    const b = /** @type {HTMLButtonElement|null} */ (this.root.querySelector(`[data-key="${CSS.escape(name)}"]`));
    if (!b) return;
    e.preventDefault();
    b.click();
  }

  /**
   * @param {RigState|undefined} r
   * @param {boolean} south who faces the pole has east on the left
   */
  render(r, south) {
    const w = words.rig;
    this.root.hidden = !r;
    if (!r) return;
    this.state = r;
    this.south = south;
    this.renderFaults(r);
    setText(this.name, r.name);
    const turns = this.byTurns; // by turns the right one is clockwise
    const names = [[this.up, turns ? "↻" : w.raise], [this.down, turns ? "↺" : w.lower],
      [this.left, turns ? "↺" : south ? w.east : w.west], [this.right, turns ? "↻" : south ? w.west : w.east]];
    for (const [b, name] of /** @type {[Element, string][]} */ (names)) setText(/** @type {Element} */ (b.firstElementChild), name);
    this.drive.setAttribute("aria-checked", String(r.drive));
    this.repeat.setAttribute("aria-checked", String(r.repeating));
    setText(/** @type {Element} */ (this.expose.firstElementChild), r.exposing ? w.exposing : w.expose);
    setText(this.stands, w.stands(number(r.ra_deg, 1, "°"), signed(r.alt_bolt_arcmin), signed(r.az_bolt_arcmin)));
  }

  /**
   * What can be made to go wrong, to practise that too.
   * @param {RigState} r
   */
  renderFaults(r) {
    const list = r.faults ?? [];
    this.faults.hidden = list.length === 0;
    if (this.faultButtons.length !== list.length) {
      this.faultButtons.forEach((b) => b.remove());
      this.faultButtons = list.map((f) => {
        const b = this.button(words.rig.faultText[f.name] ?? sentenceLike(f.text), "", () => send("rig/fault", { fault: f.name, on: b.getAttribute("aria-checked") !== "true" }));
        b.classList.add("fault");
        if (f.lasts) b.setAttribute("role", "switch");
        return b;
      });
      this.faults.append(...this.faultButtons);
    }
    list.forEach((f, i) => { if (f.lasts) this.faultButtons[i].setAttribute("aria-checked", String(f.on)); });
  }
}

/** @param {number|null} arcmin */
function signed(arcmin) {
  return arcmin === null ? angle(null) : (arcmin < 0 ? "−" : "+") + angle(arcmin);
}
