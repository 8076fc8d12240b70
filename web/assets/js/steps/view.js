// The set-up: one step at a time, each to be done or skipped, each remembered.

import { serviceNow } from "../age.js";
import { h, setText } from "../dom.js";
import { age } from "../format.js";
import { earlier, keep, note } from "../notes.js";
import { fetchSetup } from "../setupdata.js";
import { words } from "../words.js";
import { BalanceStep } from "./balance.js";
import { DirectionStep } from "./direction.js";
import { GroundStep } from "./ground.js";
import { nightLines } from "./nights.js";
import { PlaceStep } from "./place.js";
import { PlanStep } from "./plan.js";
import { StarStep } from "./star.js";
import { StartStep } from "./start.js";

/** @typedef {import("../types.js").State} State */
/** @typedef {import("../setupdata.js").SetupData} SetupData */
/**
 * @typedef {object} Context  what a step works with
 * @property {State|null} state
 * @property {SetupData|null} setup
 * @property {boolean} operate
 * @property {boolean} south
 * @property {() => Promise<SetupData|null>} refresh  asks for them anew
 * @property {() => void} redraw
 * @property {() => void} goOn  as the button does
 */
/**
 * @typedef {object} Shown  what the card of a step says
 * @property {string} head
 * @property {string|null} [figure]
 * @property {string} [unit]
 * @property {string[]} lines
 * @property {string[]} [cautions]
 * @property {HTMLElement} [drawing]
 * @property {string[]} [more]  for who wants to know
 */
/**
 * @typedef {object} Step
 * @property {string} key
 * @property {HTMLElement} [extra]
 * @property {(c: Context) => void} update
 * @property {(c: Context) => Shown} show
 * @property {() => boolean} [unsaved]  something is typed that is not kept
 * @property {() => Promise<boolean>} [save]  keeps it; false when that cannot be
 */
/** @typedef {{began: string, done: Record<string, "done"|"skipped">, finished: boolean}} Progress */

// A set-up of another night does not count for this one.
const nightMs = 14 * 3600_000;
// So long a second press means that the person is sure.
const sureMs = 6000;
// The sky turns by a degree in four minutes, the Sun's shadow as fast.
const refreshMs = 30_000;

export class SetupView {
  /**
   * @param {HTMLElement} now
   * @param {HTMLElement} does
   * @param {HTMLElement} way
   * @param {() => void} leave shows the frames
   * @param {(text: string) => void} complain
   */
  constructor(now, does, way, leave, complain) {
    this.complain = complain;
    this.warned = { at: 0, where: "" };
    this.now = now;
    this.does = does;
    this.leave = leave;
    now.addEventListener("input", () => this.renderDoes());
    /** @type {Step[]} */
    this.steps = [new PlaceStep(), new GroundStep(), new DirectionStep(), new BalanceStep(), new StartStep(), new StarStep(), new PlanStep()];
    this.at = 0;
    this.card = h("div", { class: "card now-card setup-card" });
    this.more = h("details", { class: "card more" });
    /** @type {Context} */
    this.ctx = { state: null, setup: null, operate: false, south: false, refresh: () => this.refresh(),
      redraw: () => this.render(this.ctx.state, this.ctx.operate), goOn: () => this.close("done") };
    this.shown = this.listed = "";
    // The list of the steps stays, so that it keeps the focus and holds still under a finger.
    const w = words.setup;
    this.buttons = this.steps.map((_, i) => h("button", { type: "button", onclick: () => this.leaveFor(String(i), () => this.enter(i)) }, h("span", {}, w.names[i]), h("small")));
    this.aside = h("div");
    this.computed = h("p", { class: "hint" });
    way.append(h("h2", { id: "way-title" }, w.title),
      h("ol", { class: "way-list" }, this.buttons.map((b) => h("li", {}, b))), this.aside, this.computed);
    this.place = "";
    setInterval(() => { if (document.body.dataset.view === "setup" && document.visibilityState === "visible") this.refresh(); }, refreshMs);
  }

  /** What was done of the set-up this night. @returns {Progress} */
  progress() {
    /** @type {Progress|undefined} */
    const p = note("steps");
    const old = !p || Date.now() - Date.parse(p.began) > nightMs;
    return old ? { began: new Date().toISOString(), done: {}, finished: false } : p;
  }

  /** The first step that is open. */
  toOpen() {
    const { done } = this.progress();
    const open = this.steps.findIndex((s) => !done[s.key]);
    this.go(open < 0 ? 0 : open);
  }

  /** @param {number} i */
  go(i) {
    this.at = Math.max(0, Math.min(this.steps.length - 1, i));
    this.shown = "";
    const step = this.steps[this.at];
    this.now.replaceChildren(this.card, ...(step.extra ? [step.extra] : []), this.more);
    this.more.open = false;
    this.render(this.ctx.state, this.ctx.operate);
    scrollTo(0, 0);
  }

  /**
   * @param {"done"|"skipped"} how
   */
  async close(how) {
    const step = this.steps[this.at];
    if (how === "done" && this.needsKeeping()) { // the step answers to what was typed
      if (!(await step.save?.())) return;
      this.render(this.ctx.state, this.ctx.operate);
      await this.refresh();
      this.card.querySelector("h1")?.focus();
      scrollTo(0, 0);
      return;
    }
    if (how === "skipped" && !this.mayLeave(how)) return;
    const p = this.progress();
    p.done[this.steps[this.at].key] = how;
    const last = this.at === this.steps.length - 1;
    if (last) p.finished = true;
    if (this.ctx.operate) await keep("steps", p);
    if (last) this.leave();
    else this.enter(this.at + 1);
  }

  /** Whether the button that goes on has something to keep first. */
  needsKeeping() {
    const step = this.steps[this.at];
    return this.ctx.operate && Boolean(step.save && (step.unsaved?.() || this.at === 0 && !this.ctx.state?.site));
  }

  /**
   * Whether the step may be left: not with something typed, unless the person says so twice.
   * @param {string} where
   */
  mayLeave(where) {
    const step = this.steps[this.at];
    const free = !this.ctx.operate || !step.unsaved?.() || where === this.warned.where && Date.now() - this.warned.at < sureMs;
    this.warned = { at: free ? 0 : Date.now(), where };
    if (!free) this.complain(words.unsaved);
    return free;
  }

  /**
   * @param {string} where
   * @param {() => void} then
   */
  leaveFor(where, then) {
    if (this.mayLeave(where)) then();
  }

  /**
   * Goes to a step because the person wants it: the focus goes along, so that a
   * screen reader says what the step is and keys go on from there.
   * @param {number} i
   */
  enter(i) {
    this.go(i);
    this.card.querySelector("h1")?.focus();
  }

  /** Goes to the frames whatever is open. */
  async straight() {
    if (!this.mayLeave("frames")) return;
    const p = this.progress();
    p.finished = true;
    if (this.ctx.operate) await keep("steps", p);
    this.leave();
  }

  async refresh() {
    const setup = this.ctx.state?.site ? await fetchSetup() : null; // without a place there is none
    if (setup) this.ctx.setup = setup;
    if (document.body.dataset.view === "setup") this.render(this.ctx.state, this.ctx.operate);
    return setup;
  }

  /**
   * @param {State|null} state
   * @param {boolean} operate
   */
  render(state, operate) {
    this.ctx.state = state;
    this.ctx.operate = operate;
    this.ctx.south = (state?.site?.lat_deg ?? 0) < 0;
    const place = JSON.stringify([state?.site, state?.pole?.kind, note("mount")?.kind]);
    if (state?.site && place !== this.place) {
      this.place = place;
      this.refresh();
    }
    const step = this.steps[this.at];
    document.body.toggleAttribute("data-waits", Boolean(state?.site) && !this.ctx.setup);
    step.update(this.ctx);
    this.renderCard(step.show(this.ctx));
    this.renderDoes();
    this.renderWay();
  }

  /** @param {Shown} s */
  renderCard(s) {
    const w = words.setup;
    const key = JSON.stringify([this.at, s.head, s.figure, s.lines, s.drawing?.outerHTML, s.more]);
    if (key === this.shown) return;
    this.shown = key;
    this.card.replaceChildren(
      h("p", { class: "label" }, h("b", {}, w.names[this.at]), " · ", w.of(this.at + 1, this.steps.length)),
      h("h1", { class: s.head.length > 34 ? "head long" : "head", tabindex: "-1" }, s.head),
      ...(s.figure ? [h("p", { class: "figure" }, s.figure, s.unit ? h("small", {}, " ", s.unit) : "")] : []),
      ...(s.drawing ? [s.drawing] : []),
      ...s.lines.map((l) => h("p", { class: "sub" }, l)),
      ...(s.cautions ?? []).map((c) => h("p", { class: "caution" }, h("b", {}, words.care), " ", c)));
    this.more.hidden = !s.more?.length;
    this.more.replaceChildren(h("summary", {}, w.more), h("ul", { class: "plain" }, (s.more ?? []).map((l) => h("li", {}, l))));
  }

  renderDoes() {
    const w = words.setup;
    const { state, operate } = this.ctx;
    const first = this.at === 0;
    const keeps = this.needsKeeping();
    const key = JSON.stringify([this.at, operate, keeps, state?.phase]);
    if (this.does.dataset.key === `setup${key}`) return;
    this.does.dataset.key = `setup${key}`;
    const frames = state?.phase !== "place" && state?.phase !== "waiting" && state !== null;
    const done = this.does.querySelector('[data-do="done"]');
    if (done && this.does.dataset.step === `setup${this.at}`) { // the focus stays
      setText(done, keeps ? w.keepAndGo : w.done);
      return;
    }
    this.does.dataset.step = `setup${this.at}`;
    this.does.replaceChildren(
      h("button", { type: "button", class: "strong wide", onclick: () => this.close("done"), "data-do": "done" }, keeps ? w.keepAndGo : w.done),
      h("div", { class: "does-row" },
        h("button", { type: "button", onclick: () => this.leaveFor("back", () => this.enter(this.at - 1)), disabled: first, "data-do": "back" }, w.back),
        h("button", { type: "button", onclick: () => this.close("skipped"), "data-do": "skip" }, w.skip),
        h("button", { type: "button", onclick: () => this.straight(), "data-do": "straight" }, frames ? w.backToFrames : w.straight)));
  }

  /** How the steps stand, what earlier nights came to, and what to take care of. */
  renderWay() {
    const w = words.setup;
    const { done } = this.progress();
    this.buttons.forEach((b, i) => {
      if (i === this.at) b.setAttribute("aria-current", "step");
      else b.removeAttribute("aria-current");
      const how = done[this.steps[i].key];
      setText(/** @type {Element} */ (b.lastElementChild), how ? w.how[how] : w.how.open);
    });
    const taken = Date.parse(this.ctx.setup?.time_utc ?? "");
    setText(this.computed, Number.isNaN(taken) ? "" : w.computed(age(Math.max(0, (serviceNow() ?? taken) - taken))));
    const nights = nightLines(earlier());
    const cautions = this.ctx.setup?.cautions ?? [];
    const key = JSON.stringify([nights, cautions]);
    if (key === this.listed) return;
    this.listed = key;
    const open = this.aside.querySelector("details")?.open ?? false;
    this.aside.replaceChildren(
      ...(nights.length ? [h("h2", {}, w.nights), h("ul", { class: "plain" }, nights.map((l) => h("li", {}, l)))] : []),
      ...(cautions.length ? [h("details", { open }, h("summary", {}, h("h2", {}, w.cautions)), h("ul", { class: "cautions" }, cautions.map((c) => h("li", {}, h("b", {}, c.title), words.stop, " ", c.text))))] : []));
  }
}
