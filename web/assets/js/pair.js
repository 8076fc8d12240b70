// Pairs this device by the code in the link, or one that is typed.

import { byId, h } from "./dom.js";
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
    const answer = await fetch("/api/v1/pair", {
      method: "POST", headers: { "Content-Type": "application/json" }, body: JSON.stringify({ code: text }),
    });
    if (answer.ok) {
      location.replace("/");
      return;
    }
    said.textContent = (await answer.json()).detail;
  } catch {
    said.textContent = words.unreachable;
  }
}

form.addEventListener("submit", (e) => {
  e.preventDefault();
  void pair(code.value);
});

const given = location.hash.slice(1);
if (given) {
  // The code is used up by this; it need not stay in the history.
  history.replaceState(null, "", location.pathname);
  void pair(given);
} else if (location.pathname === "/") {
  // A link from another program brings no cookie along; a request from here does.
  const answer = await fetch("/").catch(() => null);
  if (answer?.ok) location.replace("/");
}
