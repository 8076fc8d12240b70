// A button that asks by a second press: a browser's own question would be a white box in the night.

import { h } from "./dom.js";

// So long the question stands.
const askedMs = 4000;

/**
 * @param {string} look its further class
 * @param {string} name
 * @param {string} sure what it asks
 * @param {() => void} act
 */
export function confirmButton(look, name, sure, act) {
  const button = h("button", { type: "button", class: `over ${look}`.trim() }, name);
  button.addEventListener("click", () => {
    const asked = button.textContent === sure;
    button.textContent = asked ? name : sure;
    if (asked) act();
    else setTimeout(() => { button.textContent = name; }, askedMs);
  });
  return button;
}
