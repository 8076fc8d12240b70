// A classic script in the head, so that the page never flashes white in the
// dark: sets the theme before the first paint. Until the person chooses, the
// hour of the browser's clock decides. It also loads the page anew where one of its files did not come, as when
// a phone changes its network: without it nothing would stand there for good.
"use strict";
(function () {
  addEventListener("error", (e) => {
    const lost = e.target;
    if (lost instanceof HTMLScriptElement || lost instanceof HTMLLinkElement && lost.rel === "stylesheet") setTimeout(() => location.reload(), 1000);
  }, true);
  let theme = null;
  try { theme = localStorage.getItem("theme"); } catch { /* no storage: the hour decides */ }
  if (theme !== "day" && theme !== "night") {
    const hour = new Date().getHours();
    theme = hour >= 7 && hour < 18 ? "day" : "night";
  }
  document.documentElement.dataset.theme = theme;
})();
