// Pairs this device by the code in the link, or one that is typed.

import { byId, h } from "./dom.js";
import { ask, refusal } from "./link.js";
import { words } from "./words.js";

const said = h("p", { role: "alert" });
const code = /** @type {HTMLInputElement} */ (h("input", { id: "code", autocomplete: "off", autocapitalize: "none", spellcheck: "false", maxlength: "20" }));
const form = h("form", {},
  h("label", { for: "code" }, words.pair.code),
  code,
  h("button", { type: "submit", class: "strong" }, words.pair.go));
byId("pair").replaceChildren(h("h1", {}, words.pair.title), h("p", {}, words.pair.how), form, said);

/** @param {string} text */
async function pair(text) {
  said.textContent = "";
  try {
    const answer = await ask("pair", {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code: text }),
    });
    if (answer.ok) {
      location.replace("/");
      return;
    }
    said.textContent = refusal(await answer.json()) ?? "";
  } catch {
    said.textContent = words.unreachable;
  }
}

/**
 * The certificate is the machine's own: only a comparison tells who answers. A page cannot
 * look at its own certificate; the person can.
 * @param {string} given
 * @param {string} sum hexadecimal
 */
function compare(given, sum) {
  const w = words.pair;
  const pairs = (sum.match(/../g) ?? []).slice(0, 32);
  const go = h("button", { type: "button", class: "strong", onclick: () => pair(given) }, w.same);
  byId("pair").replaceChildren(h("h1", {}, w.title), h("p", {}, w.compare),
    h("p", { class: "fingerprint", "data-sum": sum }, [0, 8, 16, 24].map((i) => h("span", {}, pairs.slice(i, i + 8).join(":")))),
    h("p", {}, w.differs), go, h("p", { class: "hint" }, w.install, " ", h("a", { href: "/authority.crt" }, w.authority)), said);
}

form.addEventListener("submit", (e) => {
  e.preventDefault();
  void pair(code.value);
});

const [given, sum] = location.hash.slice(1).split(".");
if (given) {
  // The code is used up by this; it need not stay in the history.
  history.replaceState(null, "", location.pathname);
  if (sum) compare(given, sum);
  else void pair(given);
} else if (location.pathname === "/") {
  // A link from another program brings no cookie along; a request from here does.
  const answer = await fetch("/").catch(() => null);
  if (answer?.ok) location.replace("/");
}
