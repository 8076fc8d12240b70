// The switch of the night theme; theme.js sets the first theme before anything is
// painted.

import { words } from "./words.js";

/** @param {HTMLElement} button */
export function startThemeButton(button) {
  const apply = () => {
    const theme = document.documentElement.dataset.theme === "night" ? "night" : "day";
    button.setAttribute("aria-checked", String(theme === "night"));
    document.querySelector('meta[name="theme-color"]')?.setAttribute("content", theme === "night" ? "#000000" : "#f3efe6");
  };
  button.textContent = words.night;
  button.setAttribute("role", "switch");
  button.addEventListener("click", () => {
    const next = document.documentElement.dataset.theme === "night" ? "day" : "night";
    document.documentElement.dataset.theme = next;
    try { localStorage.setItem("theme", next); } catch { /* not remembered, then */ }
    apply();
  });
  apply();
}
