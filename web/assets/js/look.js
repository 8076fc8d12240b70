// A classic script in the head, so that the page never flashes white in the
// dark: sets the look before the first paint. Until the person chooses, the
// hour of the browser's clock decides.
"use strict";
(function () {
  let look = null;
  try { look = localStorage.getItem("look"); } catch { /* no storage: the hour decides */ }
  if (look !== "day" && look !== "night") {
    const hour = new Date().getHours();
    look = hour >= 7 && hour < 18 ? "day" : "night";
  }
  document.documentElement.dataset.look = look;
})();
