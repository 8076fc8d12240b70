// Joins the service's messages to the parts of the page.

import { frameAge, heard } from "./age.js";
import { byId, h, setText } from "./dom.js";
import { age, number } from "./format.js";
import { Link, send } from "./link.js";
import { renderList, renderWarnings } from "./list.js";
import { nowParts, sentence, stepOf } from "./now.js";
import { PicturePanel } from "./picture.js";
import { RigPanel } from "./rig.js";
import { SetupPanel } from "./setup.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

/** @type {State|null} */
let state = null;
let operate = false;
let version = "";
const trust = { stale: false, lost: false };
/** @type {import("./link.js").LinkState} */
let linkState = "connecting";
/** @type {number|null} */
let retryAt = null;
let everOpen = false;
// A screen reader gets the newest sentence, but not each of many in a row.
const announceEveryMs = 5000;
let announced = -announceEveryMs;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let announceTimer;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let toastTimer;

const now = byId("now"), does = byId("does"), say = byId("say"), toast = byId("toast"), pulse = byId("pulse");
const picture = new PicturePanel(byId("picture"));
const rig = new RigPanel(byId("rig"), complain);
const setup = new SetupPanel(/** @type {HTMLDialogElement} */ (byId("setup")));
const setupOpen = byId("setup-open");
setupOpen.textContent = words.setup;
setupOpen.addEventListener("click", () => setup.open(state));
startLook();
renderAll();
setInterval(tick, 500);

const link = new Link((m) => {
  if (version && m.page !== version) location.reload(); // the service was replaced by another version
  version = m.page;
  heard(m.sent_ms);
  operate = m.operate;
  if (m.type === "state") {
    state = m.state ?? null;
    renderAll();
  }
  tick();
}, (s, at) => {
  linkState = s;
  retryAt = at;
  everOpen ||= s === "open";
  tick();
});
link.connect();

/** Looks how far the state can be trusted now; true when that changed. */
function judge() {
  const a = frameAge(state);
  const lost = linkState !== "open" && everOpen;
  const stale = a !== null && (lost || a > (state?.stale_after_ms ?? 0));
  const changed = stale !== trust.stale || lost !== trust.lost;
  trust.stale = stale;
  trust.lost = lost;
  return changed;
}

/** Redraws what depends on time; the rest only when the trust in it changes. */
function tick() {
  if (judge()) renderNow();
  renderPulse();
}

function renderAll() {
  judge();
  renderSteps();
  renderNow();
  if (state) {
    renderWarnings(byId("warnings"), state);
    renderList(byId("list"), state);
    picture.render(state.latest);
    rig.render(operate ? state.rig : undefined, (state.site?.lat_deg ?? 0) < 0);
  }
}

function renderSteps() {
  const at = state ? stepOf[/** @type {keyof typeof stepOf} */ (state.phase)] ?? -1 : -1;
  const root = byId("steps");
  root.setAttribute("aria-label", words.stepsLabel);
  root.replaceChildren(...words.steps.map((name, i) =>
    h("li", { class: i < at ? "past" : null, "aria-current": i === at ? "step" : null }, name)));
}

function renderNow() {
  document.documentElement.dataset.stale = String(trust.stale);
  now.replaceChildren(...nowParts(state, trust));
  announce(sentence(state, trust));
  renderDoes();
}

/** @param {string} text */
function announce(text) {
  clearTimeout(announceTimer);
  announceTimer = setTimeout(() => {
    announced = performance.now();
    setText(say, text);
  }, Math.max(0, announced + announceEveryMs - performance.now()));
}

/** The buttons that the phase offers, the likely one first and strong. */
function renderDoes() {
  const b = words.button;
  /** @type {[string, boolean, () => void][]} */
  const list = [];
  const event = (/** @type {string} */ name) => () => tell(name);
  switch (state?.phase) {
    case "place": list.push([b.place, true, () => setup.open(state)]); break;
    case "measuring": if (state.measured) list.push([b.measured, false, event("measured")]); break;
    case "adjusting": list.push([b.locked, state.within, event("locked")]); break;
    case "confirming":
    case "done": list.push([b.unlocked, false, event("unlocked")]); break;
  }
  const key = JSON.stringify([operate, list.map(([name, strong]) => [name, strong])]);
  if (does.dataset.key === key) return; // keep the focus where it is
  does.dataset.key = key;
  does.replaceChildren(...(operate
    ? list.map(([name, strong, act]) => h("button", { type: "button", class: strong ? "strong wide" : "wide", onclick: act }, name))
    : state ? [h("p", { class: "sub" }, words.viewOnly)] : []));
}

/** @param {string} name */
async function tell(name) {
  const problem = await send("event", { event: name });
  if (problem !== null) complain(problem ?? words.unreachable);
}

function renderPulse() {
  const w = words.age;
  const a = frameAge(state);
  let mood = a === null ? "none" : trust.stale ? "old" : "fresh";
  let text = a === null ? w.none : (trust.stale ? w.old : w.fresh)(age(a));
  let note = "";
  const l = state?.latest;
  if (l && !l.solved) note = w.unsolved;
  else if (l?.took_ms) note = w.took(l.took_ms < 1000 ? `${number(l.took_ms, 0)} ms` : `${number(l.took_ms / 1000, 1)} s`);
  if (l?.clock_suspect) note = w.clock;
  if (linkState !== "open" && !everOpen) {
    mood = "none";
    text = w.connecting;
  } else if (trust.lost) {
    mood = "lost";
    const left = retryAt === null ? 0 : Math.ceil((retryAt - performance.now()) / 1000);
    note = linkState === "stopped" ? w.stopped : w.lost(left);
  }
  pulse.dataset.state = mood;
  setText(byId("pulse-age"), text);
  setText(byId("pulse-note"), note);
  const full = state?.stale_after_ms ?? 1;
  byId("pulse-fill").style.setProperty("--left", String(a === null ? 0 : Math.max(0, 1 - a / full)));
}

/** @param {string} text */
function complain(text) {
  clearTimeout(toastTimer);
  toast.textContent = text;
  toast.hidden = false;
  toastTimer = setTimeout(() => { toast.hidden = true; }, 8000);
}

function startLook() {
  const button = byId("look");
  const apply = () => {
    const look = document.documentElement.dataset.look === "night" ? "night" : "day";
    button.textContent = words.look[look];
    button.setAttribute("aria-label", words.lookLabel[look]);
    document.querySelector('meta[name="theme-color"]')?.setAttribute("content", look === "night" ? "#000000" : "#f3efe6");
  };
  button.addEventListener("click", () => {
    const next = document.documentElement.dataset.look === "night" ? "day" : "night";
    document.documentElement.dataset.look = next;
    try { localStorage.setItem("look", next); } catch { /* not remembered, then */ }
    apply();
  });
  apply();
}
