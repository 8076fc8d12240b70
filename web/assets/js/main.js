// Joins the service's messages to the parts of the page.

import { frameAge, heard, overdue } from "./age.js";
import { total } from "./bolts.js";
import { correctionParts, fixName } from "./correction.js";
import { byId, h, morph, setText, showParts, unbroken } from "./dom.js";
import { EquipmentPanel } from "./equipment.js";
import { keepFocus, refill } from "./focus.js";
import { Link, send } from "./link.js";
import { renderList, renderWarnings } from "./list.js";
import { startThemeButton } from "./themebutton.js";
import { askAnew, recall, remembers } from "./notes.js";
import { codeNow, nowParts, sentence, stepOf } from "./now.js";
import { PicturePanel } from "./picture.js";
import { habitParts, proofParts } from "./habits.js";
import { followHeights, measureHeights } from "./heights.js";
import { history } from "./history.js";
import { PagePanel } from "./page.js";
import { renderFrameAge } from "./frameage.js";
import { RigPanel } from "./rig.js";
import { MarksForm } from "./steps/marks.js";
import { SetupView } from "./steps/view.js";
import { BoltReport } from "./boltreport.js";
import { confirmButton } from "./confirmbutton.js";
import { Sound } from "./sound.js";
import { complain } from "./toast.js";
import { renderWatched } from "./watched.js";
import { words } from "./words.js";

/** @typedef {import("./types.js").State} State */

/** @type {State|null} */
let state = null;
let operate = false;
const version = new URL(import.meta.url).pathname.split("/")[2]; // of the files, which may come from the worker's shelf
let replaced = false;
const trust = { stale: false, lost: false, unreached: false, unpaired: false };
/** @type {import("./link.js").LinkState} */
let linkState = "connecting";
/** @type {number|null} */
let retryAt = null;
let everOpen = false;
/** Whether it was settled what this page begins with: set-up or frames. */
let begun = false;
// So long it waits for what is remembered, which settles that; then it begins with the frames.
const settleMs = 8000;
/** When the first state came, by performance.now(). */
let firstAt = Infinity;
// So long after its start the page says what to check where no service has answered yet.
const unreachedMs = 6000;
// A screen reader gets the newest sentence, but not each of many in a row.
const announceEveryMs = 5000;
let announced = -announceEveryMs;
/** @type {ReturnType<typeof setTimeout>|undefined} */
let announceTimer;

/** Sentences whose remedy is to start over: the button for that is then the large one. */
const startsOver = new Set(["tube_moved", "mount_moved", "tube_creeps", "mount_creeps", "tube_moved_after", "clocks", "no_fit"]);

const now = byId("now"), does = byId("does"), others = byId("others"), say = byId("say"), opener = byId("setup-open");
const picture = new PicturePanel(byId("picture"));
const rig = new RigPanel(byId("rig"), complain);
const equipment = new EquipmentPanel(byId("equipment"), complain);
const boltReport = new BoltReport(byId("bolt-report"), complain);
const marks = new MarksForm(byId("marks"));
const sound = new Sound();
const setup = new SetupView(now, does, byId("way"), () => show("work"), complain);
opener.addEventListener("click", () => (document.body.dataset.view === "setup" ? setup.leaveFor("frames", () => show("work")) : show("setup")));
const own = new PagePanel(byId("own"), complain);
startThemeButton(byId("theme"));
now.addEventListener("click", (e) => {
  const bolt = e.target instanceof Element ? e.target.closest("[data-change-over]")?.getAttribute("data-change-over") : null;
  if (bolt && bolt !== state?.turning) tell(`turn_${bolt}`);
});
byId("list").addEventListener("click", (e) => {
  const pressed = e.target instanceof Element ? e.target.closest("[data-counts]") : null;
  if (pressed instanceof HTMLElement) order("frame", { file: pressed.dataset.file, mid_utc: pressed.dataset.mid, counts: pressed.dataset.counts === "true" });
});
// What lies over the page, or asks, is put away by one key.
addEventListener("keydown", (e) => {
  if (e.key !== "Escape" || e.defaultPrevented) return;
  if (boltReport.open) boltReport.close();
  else if (!rig.putAway()) return;
  e.preventDefault();
});
byId("correction").addEventListener("click", (e) => {
  const event = e.target instanceof Element ? e.target.closest("[data-tell]")?.getAttribute("data-tell") : null;
  if (event) tell(event);
});
show("work");
setInterval(tick, 500);
followHeights();

const link = new Link((m) => {
  // The service was replaced by another version. No faster than that, should an old page come again.
  if (m.page !== version && !replaced) setTimeout(() => location.reload(), Math.max(0, 2000 - performance.now()));
  if (replaced ||= m.page !== version) return;
  heard(m.sent_ms);
  operate = m.operate;
  if (m.type === "state") {
    state = m.state ?? null;
    firstAt = Math.min(firstAt, performance.now());
    // A number at a bolt waits for no other request: that one may hang while the state comes.
    begun ||= state !== null && !early(state);
    if (begun) renderAll();
    sound.hear(state, trust);
  }
  remember(); // with each beat too, should reading have failed
  tick();
}, (s, at) => {
  linkState = s;
  retryAt = at;
  everOpen ||= s === "open";
  if (s === "open") askAnew();
  if (s === "unpaired" && operate) {
    operate = false; // until the service says so again
    renderAll();
  }
  tick();
});
link.connect();

/** Reads what is remembered when there is something new, and settles where to begin. */
async function remember() {
  const fresh = await recall(state);
  if (!begun && state && remembers()) begin();
  else if (fresh) renderAll();
}

function begin() {
  begun = true;
  if (state && early(state) && remembers() && !setup.progress().finished) show("setup");
  else renderAll();
}

/** Whether the mount may still be being set up: a camera may well run already. */
function early(/** @type {State} */ s) {
  return ["place", "waiting", "measuring"].includes(s.phase) && !s.measured;
}

/** @param {"setup"|"work"} view */
function show(view) {
  document.body.dataset.view = view;
  const [name, other] = view === "setup" ? [words.toFrames, words.toSetup] : [words.toSetup, words.toFrames];
  opener.textContent = name;
  opener.dataset.other = other; // it is as wide with either
  does.dataset.key = does.dataset.step = "";
  refill(does);
  refill(others);
  if (view === "setup") {
    setup.toOpen();
    setup.refresh();
  }
  scrollTo(0, 0);
  renderAll();
}

/** Looks how far the state can be trusted now; true when that changed. */
function judge() {
  const lost = linkState !== "open" && everOpen, unpaired = linkState === "unpaired";
  const unreached = !everOpen && performance.now() > unreachedMs;
  const stale = frameAge(state) !== null && (lost || overdue(state));
  const changed = stale !== trust.stale || lost !== trust.lost || unreached !== trust.unreached || unpaired !== trust.unpaired;
  Object.assign(trust, { stale, lost, unreached, unpaired });
  return changed;
}

/** Redraws what depends on time; the rest only when the trust in it changes. */
function tick() {
  if (!begun && performance.now() - firstAt > settleMs) begin();
  if (judge()) renderNow();
  renderFrameAge(byId("frame-age"), state, trust, { state: linkState, retryAt, everOpen });
  if (state) picture.renderTroubles(state, frameAge(state));
}

function renderAll() {
  keepFocus(drawAll);
}

function drawAll() {
  judge();
  renderSteps();
  renderNow();
  if (!state) return;
  document.body.dataset.phase = begun ? state.phase : "";
  const working = document.body.dataset.view === "work";
  renderWarnings(byId("warnings"), state, working);
  renderList(byId("list"), state, operate);
  picture.render(state.latest);
  rig.render(operate && working ? state.rig : undefined, (state.site?.lat_deg ?? 0) < 0);
  equipment.render(state.equipment, operate);
  const turning = operate && working && state.phase === "adjusting" && !state.free_head;
  boltReport.render(turning, state);
  renderWatched(byId("watched"), state);
  const corrections = working ? correctionParts(state, operate) : null;
  showParts("correction", corrections);
  showParts("proof", working ? proofParts(state) : null);
  showParts("habits", working ? habitParts(state) : null);
  showParts("history", working ? history(state) : null);
  own.render(state);
  marks.render(operate && working && state.phase === "done");
  measureHeights();
}

function renderSteps() {
  const at = state ? stepOf[/** @type {keyof typeof stepOf} */ (state.phase)] ?? -1 : -1;
  const root = byId("steps");
  root.setAttribute("aria-label", words.stepsLabel);
  morph(root, words.steps.map((name, i) =>
    h("li", { class: i < at ? "past" : null, "aria-current": i === at ? "step" : null, "data-name": name }, name)));
}

function renderNow() {
  document.documentElement.dataset.stale = String(trust.stale);
  if (document.body.dataset.view === "setup") {
    setup.render(state, operate);
    return;
  }
  keepFocus(() => morph(now, nowParts(state, trust, operate)));
  const bolts = state?.now && codeNow(state, trust) === "bolt";
  byId("total").hidden = !bolts;
  if (state?.now && bolts) morph(byId("total"), total(state, state.now));
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

/** The buttons that the phase offers: in one row under the thumb, the likely one strong. */
function renderDoes() {
  const b = words.button;
  /** @type {[string, boolean, () => void][]} */
  const list = [];
  const event = (/** @type {string} */ name) => () => tell(name);
  const code = codeNow(state, trust);
  const remedy = code !== "lost" && code !== "unpaired" && startsOver.has(state?.do.said?.code ?? "");
  switch (state?.phase) {
    case "place": list.push([b.place, true, () => show("setup")]); break;
    case "waiting": list.push([b.watch, false, event("watch")]); break;
    case "measuring": if (state.measured && !remedy) list.push([b.measured, false, event("measured")]); break;
    case "adjusting": if (!remedy) list.push([b.locked, state.within, event("locked")]); break;
    case "confirming":
      if (state.can_end) list.push([b.confirmed, false, event("measured")]);
      if (!remedy) list.push([b.unlocked, false, event("unlocked")]);
      break;
    case "done":
      list.push([b.unlocked, code === "drifted", event("unlocked")]);
      list.push([state.proof ? words.proof.again : words.proof.begin, false, event("prove")]);
      break;
  }
  // Place and clock come first: what the frames say under wrong ones is wrong too.
  const fix = trust.lost || state?.suggestion?.mistake === "header_place" ? "" : fixName(state);
  if (fix) {
    for (const other of list) other[1] = false;
    list.unshift([fix, true, event("correct")]);
  }
  const bolts = state?.phase === "adjusting" && !fix && !trust.unpaired;
  const again = state !== null && state.phase !== "place" && state.phase !== "waiting";
  const headed = state?.phase === "adjusting" || state?.phase === "measuring";
  const key = JSON.stringify([operate, trust.unpaired, bolts, again, remedy, headed, state?.free_head, list.map(([name, strong]) => [name, strong])]);
  if (does.dataset.key === key) return; // keep the focus where it is
  does.dataset.key = key;
  const button = (/** @type {typeof list[0]} */ [name, strong, act]) =>
    h("button", { type: "button", class: strong ? "strong" : null, onclick: act }, name);
  /** @type {HTMLElement[]} */
  const row = operate ? list.map(button) : state && !trust.unpaired ? [h("p", { class: "sub" }, unbroken(words.viewOnly))] : [];
  if (operate && remedy) row.push(startOver("strong"));
  if (bolts && operate && !state?.free_head) row.push(boltReport.opener);
  if (bolts) row.push(sound.button);
  refill(does, ...row);
  const head = h("button", { type: "button", class: "quiet", "data-do": "head", onclick: event(state?.free_head ? "two_bolts" : "free_head") },
    state?.free_head ? words.head.bolts : words.head.free);
  refill(others, ...(operate && again && !remedy ? [startOver("")] : []), ...(operate && headed ? [head] : []));
}

const startOver = (/** @type {string} */ look) => confirmButton(look, words.button.startOver, words.button.startOverSure, () => tell("start_over"));

/** @param {string} name */
const tell = (name) => order("event", { event: name });

/**
 * @param {string} path
 * @param {object} body
 */
async function order(path, body) {
  const problem = await send(path, body);
  if (problem !== null) complain(problem ?? words.unreachable);
}
