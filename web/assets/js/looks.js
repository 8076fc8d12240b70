// The button that changes between the day and the night look; look.js sets the
// first one before anything is painted.

import { words } from "./words.js";

/** @param {HTMLElement} button */
export function startLook(button) {
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
