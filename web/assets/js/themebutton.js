// The button that changes between the day and the night theme; theme.js sets the
// first one before anything is painted.

import { words } from "./words.js";

/** @param {HTMLElement} button */
export function startThemeButton(button) {
  const apply = () => {
    const theme = document.documentElement.dataset.theme === "night" ? "night" : "day";
    button.textContent = words.theme[theme];
    button.setAttribute("aria-label", words.themeLabel[theme]);
    document.querySelector('meta[name="theme-color"]')?.setAttribute("content", theme === "night" ? "#000000" : "#f3efe6");
  };
  button.addEventListener("click", () => {
    const next = document.documentElement.dataset.theme === "night" ? "day" : "night";
    document.documentElement.dataset.theme = next;
    try { localStorage.setItem("theme", next); } catch { /* not remembered, then */ }
    apply();
  });
  apply();
}
