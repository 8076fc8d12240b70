// What the page itself can do: its language, how dark it is, the full screen, keeping the
// screen on, and sharing the result.

import { h } from "./dom.js";
import { angle, spread } from "./format.js";
import { language, languages, words } from "./words.js";

/** @typedef {import("./types.js").State} State */

// The veil never hides the page altogether.
const darkest = 0.85;

export class PagePanel {
  /**
   * @param {HTMLElement} root
   * @param {(text: string) => void} complain
   */
  constructor(root, complain) {
    const w = words.page;
    this.complain = complain;
    /** @type {State|null} */
    this.state = null;
    const choice = h("select", { id: "language", onchange: () => {
      try { localStorage.setItem("language", choice.value); } catch { /* not remembered, then */ }
      location.reload();
    } }, Object.entries(languages).map(([code, name]) => h("option", { value: code, lang: code, selected: code === language }, name)));
    const dim = h("input", { type: "range", id: "dim", min: "0", max: "100", value: "0", oninput: () => darken(Number(dim.value)) });
    try { dim.value = localStorage.getItem("dim") ?? "0"; } catch { /* as bright as ever */ }
    darken(Number(dim.value));
    const full = h("button", { type: "button", onclick: () => (document.fullscreenElement ? document.exitFullscreen() : document.documentElement.requestFullscreen()).catch(() => {}) }, w.full);
    full.hidden = !document.fullscreenEnabled;
    this.share = h("button", { type: "button", "data-do": "share", onclick: () => this.send() }, w.share);
    this.save = h("button", { type: "button", "data-do": "export", onclick: () => this.table() }, w.save);
    this.awake = h("p", { class: "hint", id: "awake" }, "wakeLock" in navigator ? w.awake : w.sleeps);
    root.append(h("details", {}, h("summary", {}, h("h2", {}, w.title)),
      h("div", { class: "field" }, h("label", { for: "language" }, w.language), choice),
      h("div", { class: "field" }, h("label", { for: "dim" }, w.dim), dim),
      full, this.awake), this.row = h("div", { class: "does-row" }, this.share, this.save));
    settle();
    keepAwake();
    document.addEventListener("visibilitychange", keepAwake);
  }

  /** @param {State} state */
  render(state) {
    this.state = state;
    this.row.hidden = !(state.frames ?? []).length;
    this.share.disabled = !state.now; // not hidden: the other button holds still
  }

  /** The result in a sentence, to send or to paste. */
  async send() {
    const now = this.state?.now;
    if (!now) return;
    const u = now.uncertainty;
    const text = words.page.result(angle(now.offset.total_arcmin), spread(Math.max(u.alt_arcsec ?? 0, u.az_arcsec ?? 0)), angle(this.state?.tolerance_arcmin), new Date().toLocaleString(language));
    try {
      if (navigator.share) await navigator.share({ text });
      else {
        await navigator.clipboard.writeText(text);
        this.complain(words.page.copied);
      }
    } catch {
      this.complain(text); // neither is allowed here: to be read and written down
    }
  }

  /** All frames of the session as a table (RFC 4180), units in the heads. */
  table() {
    const head = ["file", "mid_utc", "status", "turn_deg", "residual_arcsec", "alt_arcmin", "az_arcmin", "total_arcmin"];
    const cell = (/** @type {unknown} */ v) => {
      const s = v === null || v === undefined ? "" : String(v);
      // A spreadsheet takes what begins so for a formula.
      const safe = typeof v === "string" && /^[=+\-@\t\r]/.test(s) ? `'${s}` : s;
      return /[",\r\n]/.test(safe) ? `"${safe.replaceAll('"', '""')}"` : safe;
    };
    const rows = (this.state?.frames ?? []).map((f) => head.map((k) => cell(/** @type {Record<string, unknown>} */ (/** @type {unknown} */ (f))[k])).join(","));
    const link = h("a", { href: URL.createObjectURL(new Blob([[head.join(","), ...rows].join("\r\n") + "\r\n"], { type: "text/csv" })), download: `polard-${new Date().toISOString().slice(0, 10)}.csv` });
    link.click();
    setTimeout(() => URL.revokeObjectURL(link.href), 1000);
  }
}

/** Has the page open without the service from now on, where the browser allows it. */
async function settle() {
  if (!("serviceWorker" in navigator) || !isSecureContext) return;
  try {
    // The content policy takes an address of code from a policy of its own only.
    const own = /** @type {any} */ (window).trustedTypes?.createPolicy("worker", { createScriptURL: (/** @type {string} */ u) => u });
    const file = new URL("./worker.js", import.meta.url).href;
    const registration = await navigator.serviceWorker.register(own ? own.createScriptURL(file) : file, { scope: "/" });
    await navigator.serviceWorker.ready;
    const files = performance.getEntriesByType("resource").map((e) => e.name).filter((n) => new URL(n).pathname.startsWith("/assets/"));
    registration.active?.postMessage(["/", ...new Set(files)]);
  } catch { /* without it the page needs the service to open */ }
}

/** @param {number} percent */
function darken(percent) {
  document.documentElement.style.setProperty("--dark", String((darkest * Math.max(0, Math.min(100, percent))) / 100));
  try { localStorage.setItem("dim", String(percent)); } catch { /* not remembered, then */ }
}

/** Asks the browser to keep the screen on; it gives that up whenever the page is hidden. */
async function keepAwake() {
  if (document.visibilityState !== "visible" || !("wakeLock" in navigator)) return;
  try { await /** @type {any} */ (navigator).wakeLock.request("screen"); } catch { /* a phone that saves power says no */ }
}
