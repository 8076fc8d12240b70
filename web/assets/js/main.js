// Joins the service's messages to the parts of the page.

import { frameAge, heard } from "./age.js";
import { byId, h, setText } from "./dom.js";
import { Link, send } from "./link.js";
import { renderList, renderWarnings } from "./list.js";
import { startLook } from "./looks.js";
import { recall } from "./memory.js";
import { nowParts, sentence, stepOf } from "./now.js";
import { PicturePanel } from "./picture.js";
import { renderPulse } from "./pulse.js";
import { RigPanel } from "./rig.js";
import { MarksForm } from "./steps/marks.js";
import { SetupView } from "./steps/view.js";
import { ToldPanel } from "./told.js";
import { Tone } from "./tone.js";
import { renderWatched } from "./watched.js";
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
/** Whether it was settled what this page begins with: set-up or frames. */
let begun = false;
// A screen reader gets the newest sentence, but not each of many in a row.
const announceEveryMs = 5000;
let announced = -announceEveryMs;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let announceTimer;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let toastTimer;

const now = byId("now"), does = byId("does"), others = byId("others"), say = byId("say"), toast = byId("toast"), opener = byId("setup-open");
const picture = new PicturePanel(byId("picture"));
const rig = new RigPanel(byId("rig"), complain);
const told = new ToldPanel(byId("told"), complain);
const marks = new MarksForm(byId("marks"));
const tone = new Tone();
const setup = new SetupView(now, does, byId("way"), () => show("work"));
opener.addEventListener("click", () => show(document.body.dataset.view === "setup" ? "work" : "setup"));
startLook(byId("look"));
show("work");
setInterval(tick, 500);
followHeights();

const link = new Link((m) => {
  if (version && m.page !== version) location.reload(); // the service was replaced by another version
  version = m.page;
  heard(m.sent_ms);
  operate = m.operate;
  if (m.type === "state") {
    state = m.state ?? null;
    remember();
    renderAll();
    tone.hear(state, trust);
  }
  tick();
}, (s, at) => {
  linkState = s;
  retryAt = at;
  everOpen ||= s === "open";
  tick();
});
link.connect();

/** Reads what is remembered when there is something new, and settles where to begin. */
async function remember() {
  const fresh = await recall(state);
  if (!begun && state) {
    begun = true;
    // A camera may well run already while the mount is being set up.
    const early = ["place", "waiting", "measuring"].includes(state.phase) && !state.measured;
    if (early && !setup.progress().finished) return show("setup");
  }
  if (fresh) renderAll();
}

/** @param {"setup"|"work"} view */
function show(view) {
  document.body.dataset.view = view;
  opener.textContent = view === "setup" ? words.toFrames : words.toSetup;
  does.dataset.key = "";
  does.replaceChildren();
  others.replaceChildren();
  if (view === "setup") {
    setup.toOpen();
    setup.refresh();
  }
  scrollTo(0, 0);
  renderAll();
}

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
  renderPulse(byId("pulse"), state, trust, { state: linkState, retryAt, everOpen });
  if (state) picture.renderTroubles(state, frameAge(state));
}

function renderAll() {
  judge();
  renderSteps();
  renderNow();
  document.body.dataset.phase = state?.phase ?? "";
  if (!state) return;
  const working = document.body.dataset.view === "work";
  renderWarnings(byId("warnings"), state);
  renderList(byId("list"), state);
  picture.render(state.latest);
  rig.render(operate && working ? state.rig : undefined, (state.site?.lat_deg ?? 0) < 0);
  told.render(operate && working && state.phase === "adjusting", state);
  renderWatched(byId("watched"), state);
  marks.render(operate && working && state.phase === "done");
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
  if (document.body.dataset.view === "setup") {
    setup.render(state, operate);
    return;
  }
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

/** The buttons that the phase offers: the likely one under the thumb, the others below. */
function renderDoes() {
  const b = words.button;
  /** @type {[string, boolean, () => void][]} */
  const list = [];
  const event = (/** @type {string} */ name) => () => tell(name);
  switch (state?.phase) {
    case "place": list.push([b.place, true, () => show("setup")]); break;
    case "waiting": list.push([b.watch, false, event("watch")]); break;
    case "measuring": if (state.measured) list.push([b.measured, false, event("measured")]); break;
    case "adjusting": list.push([b.locked, state.within, event("locked")]); break;
    case "confirming":
    case "done": list.push([b.unlocked, false, event("unlocked")]); break;
  }
  const sound = state?.phase === "adjusting";
  const again = state !== null && state.phase !== "place" && state.phase !== "waiting";
  const key = JSON.stringify([operate, sound, again, list.map(([name, strong]) => [name, strong])]);
  if (does.dataset.key === key) return; // keep the focus where it is
  does.dataset.key = key;
  const button = (/** @type {typeof list[0]} */ [name, strong, act]) =>
    h("button", { type: "button", class: strong ? "strong wide" : "wide", onclick: act }, name);
  does.replaceChildren(...(operate ? list.filter(([, strong]) => strong).map(button) : state ? [h("p", { class: "sub" }, words.viewOnly)] : []));
  const rest = [sound && tone.button, operate && again && startOver()].filter((e) => e instanceof Node);
  others.replaceChildren(...(operate ? list.filter(([, strong]) => !strong).map(button) : []),
    ...(rest.length ? [h("div", { class: "does-row" }, rest)] : []));
}

/**
 * Asks by a second press: a browser's own question would be a white box in the
 * night.
 */
function startOver() {
  const b = words.button;
  const button = h("button", { type: "button", class: "over" }, b.startOver);
  button.addEventListener("click", () => {
    if (button.textContent === b.startOverSure) {
      button.textContent = b.startOver;
      tell("start_over");
      return;
    }
    button.textContent = b.startOverSure;
    setTimeout(() => { button.textContent = b.startOver; }, 4000);
  });
  return button;
}

/** @param {string} name */
async function tell(name) {
  const problem = await send("event", { event: name });
  if (problem !== null) complain(problem ?? words.unreachable);
}

/** @param {string} text */
function complain(text) {
  clearTimeout(toastTimer);
  toast.textContent = text;
  toast.hidden = false;
  toastTimer = setTimeout(() => { toast.hidden = true; }, 8000);
}

/** On a phone buttons and rig stay at the bottom; what lies above must not be hidden. */
function followHeights() {
  const tell = new ResizeObserver(() => {
    const root = document.documentElement.style;
    root.setProperty("--rig-height", `${byId("rig").offsetHeight}px`);
    root.setProperty("--does-height", `${does.offsetHeight}px`);
  });
  tell.observe(byId("rig"));
  tell.observe(does);
}
