// The switch of the night theme; the script in the head has set the first one.
"use strict";
(function () {
  const root = document.documentElement, button = document.getElementById("theme");
  const show = (theme) => {
    root.dataset.theme = theme;
    button.setAttribute("aria-checked", String(theme === "night"));
  };
  button.addEventListener("click", () => show(root.dataset.theme === "night" ? "day" : "night"));
  show(root.dataset.theme);
  button.hidden = false; // without scripts there is no switch
})();
