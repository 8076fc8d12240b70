// Telling which bolt was turned, by how many turns: so the answers of the bolts are
// learnt, and what is to be done is said in turns. After a bolt has moved the axis the page
// asks by itself, until it knows what a turn of that bolt does.

import { h, setText } from "./dom.js";
import { keepFocus } from "./focus.js";
import { send } from "./link.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */
/** @typedef {"altitude"|"azimuth"} Bolt */

// A movement of the axis by less tells nothing of a turn: what settles, and noise.
const leastArcmin = 1;
// And it has to stand out of the uncertainty by so many standard deviations.
const clear = 5;

// So long a told turn can be taken back: until the next frame or two has come.
const saidMs = 20_000;

export class BoltReport {
  /**
   * @param {HTMLElement} root
   * @param {(text: string) => void} complain
   */
  constructor(root, complain) {
    const w = words.boltReport;
    this.root = root;
    this.complain = complain;
    /** @type {Bolt} */
    this.bolt = "altitude";
    this.open = false;
    /** What was asked and put off, or told: it is not asked again. */
    this.settled = this.moved = "";
    this.askedTurns = 0;
    /** How often each bolt was asked about. */
    this.asks = { altitude: 0, azimuth: 0 };
    this.title = h("h2", { id: "bolt-report-title" });
    const size = (/** @type {number} */ sign) => w.turns.map(([n, name]) => h("button", { type: "button", "data-turns": String(sign * n),
      "aria-label": `${name} ${w.unit}, ${sign > 0 ? w.clockwise : w.anticlockwise}`, onclick: () => this.tell(sign * n, name, `${sign > 0 ? "↻" : "↺"}\u00a0${name}`) },
      h("span", {}, sign > 0 ? "↻" : "↺", " ", name)));
    this.question = h("div", { class: "bolt-report-question", role: "group", "aria-labelledby": "bolt-report-title", hidden: true },
      h("div", { class: "bolt-report-head" }, this.title, h("button", { type: "button", class: "quiet", "data-bolt-report": "later", onclick: () => this.close() }, w.later)),
      h("div", { class: "bolt-report-sizes" }, size(1)), h("div", { class: "bolt-report-sizes" }, size(-1)),
      this.asked = h("button", { type: "button", "data-asked": "", onclick: () => this.tellAsked() }, w.asked));
    this.note = h("p", { class: "unseen", role: "status" });
    /** Opens the question; for a while after the answer it takes that back. */
    this.opener = h("button", { type: "button", onclick: () => (this.undoes ? this.takeBack() : this.open ? this.close() : this.ask()) });
    this.offer("");
    root.append(this.question, this.note);
    /** @type {State|null} */
    this.state = null;
    /** @type {ReturnType<typeof setTimeout>|undefined} */
    this.timer = undefined;
  }

  /** Asks because the person wants to tell: the keyboard goes there too. */
  ask() {
    this.show(this.bolt);
    const first = this.question.querySelector("button[data-turns]");
    if (first instanceof HTMLElement) first.focus();
  }

  /** @param {Bolt} bolt */
  show(bolt) {
    this.offer("");
    this.bolt = bolt;
    this.open = true;
    setText(this.title, words.boltReport.ask[bolt]);
    const stroke = this.state?.strokes?.find((s) => s.bolt === bolt);
    this.asked.hidden = !stroke;
    this.asked.dataset.asked = stroke ? bolt : "";
    this.askedTurns = (stroke?.turn_deg ?? 0) / 360;
    this.question.hidden = false;
  }

  close() {
    this.open = false;
    keepFocus(() => {
      const held = this.question.contains(document.activeElement);
      this.question.hidden = true;
      if (held) this.opener.focus({ preventScroll: true }); // the keyboard goes back to where it came from
    });
    this.settled = this.moved;
  }

  /**
   * @param {number} turns
   * @param {string} name
   * @param {string} sign with the way
   */
  async tell(turns, name, sign) {
    const w = words.boltReport;
    await this.send(turns, w.kept(words.bolt[this.bolt], name, turns > 0 ? w.clockwise : w.anticlockwise), `${w.undo} ${sign}`);
  }

  async tellAsked() {
    const w = words.boltReport;
    await this.send(this.askedTurns, w.keptAsked(words.bolt[this.bolt]), w.undo);
  }

  /**
   * @param {number} turns
   * @param {string} kept what to say then
   * @param {string} undo what takes it back
   */
  async send(turns, kept, undo) {
    const problem = await send("turned", { bolt: this.bolt, turns });
    if (problem !== null) {
      this.complain(problem ?? words.unreachable);
      return;
    }
    this.close();
    setText(this.note, kept);
    this.offer(undo);
  }

  async takeBack() {
    const problem = await send("event", { event: "take_back" });
    if (problem !== null) {
      this.complain(problem ?? words.unreachable);
      return;
    }
    setText(this.note, words.boltReport.takenBack);
    this.offer("");
  }

  /**
   * What the button below the bolts does: takes the answer back, for a while, or opens the question.
   * @param {string} undo empty where nothing is to be taken back
   */
  offer(undo) {
    clearTimeout(this.timer);
    this.undoes = undo !== "";
    setText(this.opener, undo || words.boltReport.open);
    this.opener.dataset.boltReport = undo ? "undo" : "open";
    if (undo) this.timer = setTimeout(() => this.offer(""), saidMs);
  }

  /**
   * @param {boolean} shown
   * @param {State} state
   */
  render(shown, state) {
    this.state = state;
    this.root.hidden = !shown;
    if (!shown) {
      if (this.open) this.close();
      return;
    }
    if (this.open && (state.within || state.doubt)) this.close(); // something else comes first
    const moved = state.within || state.wrong_way ? null : movedBolt(state);
    this.moved = moved ? `${state.latest?.id} ${moved}` : this.settled;
    if (!this.open && state.turning) this.bolt = state.turning;
    if (this.open || !moved || this.moved === this.settled) return;
    if (!state.bolts?.find((b) => b.bolt === moved)?.learnt && !this.asksNoMore(moved)) this.show(moved);
  }

  /**
   * A question put off twice is not put again: the button stays.
   * @param {Bolt} bolt
   */
  asksNoMore(bolt) {
    return this.asks[bolt]++ >= 2;
  }
}

/**
 * The bolt that the newest frame shows turned, if one was.
 * @param {State} state
 * @returns {Bolt|null}
 */
function movedBolt(state) {
  const read = (state.frames ?? []).filter((f) => f.status === "adjusts");
  const now = read.at(-1), before = read.at(-2) ?? state.measured?.offset;
  if (!now || !before || state.doubt || !state.now) return null;
  const alt = Math.abs((now.alt_arcmin ?? 0) - (before.alt_arcmin ?? 0));
  const az = Math.abs((now.az_arcmin ?? 0) - (before.az_arcmin ?? 0)) * Math.cos(((state.pole?.alt_deg ?? 0) * Math.PI) / 180);
  const u = state.now.uncertainty;
  const least = Math.max(leastArcmin, (clear / 60) * Math.max(u.alt_arcsec ?? 0, u.az_arcsec ?? 0));
  if (Math.max(alt, az) < least) return null;
  return alt >= az ? "altitude" : "azimuth";
}
