// Camera and mount that the service operates itself: a press says what would move, a second one
// moves it, and one stops it.

import { h, morph, setText } from "./dom.js";
import { keepFocus } from "./focus.js";
import { number } from "./format.js";
import { send } from "./link.js";
import { sentence } from "./sentences.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").EquipmentState} EquipmentState */

/** How often the page says that whoever operates is there; the service waits for three of them. */
const presentEveryMs = 1000;

export class EquipmentPanel {
  /**
   * @param {HTMLElement} root
   * @param {(text: string) => void} complain
   */
  constructor(root, complain) {
    const w = words.equipment;
    this.root = root;
    this.complain = complain;
    /** @type {EquipmentState|undefined} */
    this.state = undefined;
    this.choosing = false;
    this.lists = "";
    this.names = h("p", { class: "equipment-names" });
    this.doing = h("p", { class: "equipment-doing", role: "status" });
    this.note = h("p", { class: "sub" });
    this.trouble = h("p", { class: "equipment-trouble", role: "alert", hidden: true });
    this.schedule = h("p", { class: "sub", hidden: true });
    this.changed = this.button(w.changed, "quiet", () => send("equipment/changed", {}));
    this.plan = h("div", { class: "equipment-plan", hidden: true });
    this.word = h("input", { type: "text", autocomplete: "off", autocapitalize: "none", spellcheck: "false", "aria-label": w.byDay });
    this.byDay = h("details", {}, h("summary", {}, w.byDay), h("p", { class: "sub" }, w.byDayHint(w.word)), this.word);
    this.measure = this.button(w.measure, "equipment-measure strong", () => this.press());
    this.stop = this.button(w.stop, "equipment-stop", () => send("equipment/stop", {}));
    this.loop = this.button(w.loop, "", () => send("equipment/loop", { on: !this.state?.looping }));
    this.change = this.button(w.change, "quiet", async () => { this.choosing = !this.choosing; this.lists = ""; this.draw(); return null; });
    this.chooser = h("div", { class: "equipment-chooser", hidden: true });
    root.append(
      h("div", { class: "panel-head" }, h("h2", { id: "equipment-title" }, w.title), this.change),
      this.names, this.chooser, this.doing, this.note, this.trouble, this.schedule, this.plan,
      h("div", { class: "equipment-row" }, this.measure, this.stop), this.loop, this.changed, this.byDay);
  }

  /**
   * @param {string} name
   * @param {string} look
   * @param {() => Promise<string|null|undefined>} act
   */
  button(name, look, act) {
    const b = h("button", { type: "button", class: look || null }, name);
    b.addEventListener("click", async () => {
      const problem = await act();
      if (problem !== null) this.complain(problem ?? words.unreachable);
    });
    return b;
  }

  /** The first press asks what would move, the second one moves it. */
  async press() {
    const plan = this.state?.plan;
    if (!plan) return send("equipment/propose", { daylight: this.word.value.trim() });
    // The mount moves no longer than this page is there: the request's end stops it, and so does silence.
    const beat = setInterval(() => send("equipment/present", {}), presentEveryMs);
    try {
      return await send("equipment/measure", { plan: plan.id, attended: true });
    } finally {
      clearInterval(beat);
    }
  }

  /**
   * @param {EquipmentState|undefined} q
   * @param {boolean} operate
   */
  render(q, operate) {
    this.state = q;
    this.root.hidden = !q || !operate;
    if (!this.root.hidden) this.draw();
  }

  draw() {
    const q = this.state;
    if (q) keepFocus(() => this.drawState(q));
  }

  /** @param {EquipmentState} q */
  drawState(q) {
    const w = words.equipment, measures = document.activeElement === this.measure;
    const idle = q.activity === "idle" || q.activity === "finding";
    const chosen = Boolean(q.camera && q.mount);
    this.root.dataset.activity = q.activity;
    setText(this.names, chosen ? w.chosen(q.camera ?? "", q.mount ?? "") : w.none);
    this.drawChooser(q, this.choosing || !chosen);
    this.change.hidden = !idle || !chosen;
    setText(this.doing, this.sentence(q));
    setText(this.note, sentence(q.note_said, q.note));
    this.note.hidden = !q.note;
    setText(this.trouble, sentence(q.trouble_said, q.trouble));
    this.trouble.hidden = !q.trouble;
    const plan = idle || q.looping ? q.plan : undefined;
    this.plan.hidden = !plan;
    morph(this.plan, plan ? [h("p", { class: "equipment-says" }, sentence(plan.said, plan.text)), h("ul", {}, ...plan.cautions.map((c, i) => h("li", {}, sentence(plan.said_cautions?.[i], c))))] : []);
    setText(this.measure, plan ? w.move : q.looping ? w.again : w.measure);
    this.measure.disabled = !chosen;
    this.measure.hidden = !(idle || q.looping);
    this.loop.hidden = !chosen || !(q.looping || (idle && q.note !== undefined));
    setText(this.loop, q.looping ? w.endLoop : w.loop);
    this.changed.hidden = !q.schedule || !idle || q.due === true;
    setText(this.schedule, q.rests ? `${w.rests} ${sentence(q.rests_said, q.rests)}` : q.due ? w.due : "");
    this.schedule.hidden = !q.rests && !q.due;
    this.byDay.hidden = !idle;
    if (measures && this.measure.hidden) this.stop.focus({ preventScroll: true }); // whoever had it moved stops it by the next press
  }

  /**
   * Rebuilds the two lists only when what there is to choose has changed: an open one stays open.
   * @param {EquipmentState} q
   * @param {boolean} show
   */
  drawChooser(q, show) {
    const w = words.equipment;
    this.chooser.hidden = !show;
    const key = JSON.stringify([q.cameras, q.mounts, show]);
    if (key === this.lists) return;
    this.lists = key;
    const list = (/** @type {string} */ name, /** @type {string[]} */ names, /** @type {string|undefined} */ now) =>
      h("select", { "aria-label": name }, ...names.map((n) => h("option", { selected: n === now }, n)));
    const camera = list(w.camera, q.cameras, q.camera), mount = list(w.mount, q.mounts, q.mount);
    const use = this.button(w.choose, "strong", async () => {
      const problem = await send("equipment/choose", { camera: camera.value, mount: mount.value });
      this.choosing = problem !== null;
      this.draw();
      return problem;
    });
    use.disabled = q.cameras.length === 0 || q.mounts.length === 0;
    const find = this.button(w.find, "quiet", () => send("equipment/find", {}));
    const held = [...this.chooser.querySelectorAll("select, button")].findIndex((e) => e === document.activeElement);
    this.chooser.replaceChildren(
      h("label", {}, h("span", {}, w.camera), camera), h("label", {}, h("span", {}, w.mount), mount),
      h("div", { class: "equipment-row" }, use, find));
    [camera, mount, use, find][held]?.focus({ preventScroll: true });
  }

  /** @param {EquipmentState} q */
  sentence(q) {
    const d = words.equipment.doing, of = words.equipment.picture(q.number ?? 0, q.all ?? 0);
    switch (q.activity) {
      case "exposing": return d.exposing(`${number(q.exposure_s, 1, "")} s`, of);
      case "reading": return d.reading(of);
      case "turning": return d.turning(number(Math.abs(q.turned_deg ?? 0), 0, "°"), number(Math.abs(q.of_deg ?? 0), 0, "°"));
      case "finding": return d.finding;
      case "waiting": return d.waiting;
      case "stopping": return d.stopping;
    }
    return d.idle;
  }
}
