// What the bars at the edges of the screen cover, for the style: nothing that matters lies behind them.

import { byId } from "./dom.js";

// What stays in sight above is measured by what begins below it: its own place changes as the page is scrolled.
export function measureHeights() {
  const root = document.documentElement.style;
  const rig = byId("rig"), beside = rig.offsetWidth < document.documentElement.clientWidth; // there it covers nothing below
  root.setProperty("--rig-height", `${beside ? 0 : rig.offsetHeight}px`);
  root.setProperty("--does-height", `${byId("does").offsetHeight}px`);
  root.setProperty("--head-height", `${byId("main").offsetTop}px`);
}

/** On a phone buttons and rig stay at the bottom; what lies above must not be hidden. */
export function followHeights() {
  const seen = new ResizeObserver(measureHeights);
  for (const id of ["rig", "does", "frame-age"]) seen.observe(byId(id));
}
