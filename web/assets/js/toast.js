// What went wrong with a press: said for a while, over the page.

import { byId } from "./dom.js";
import { sentenceLike } from "./format.js";

const saidMs = 8000;

/** @type {ReturnType<typeof setTimeout>|undefined} */
let timer;

/** @param {string} text */
export function complain(text) {
  const toast = byId("toast");
  clearTimeout(timer);
  toast.textContent = sentenceLike(text);
  toast.hidden = false;
  timer = setTimeout(() => { toast.hidden = true; }, saidMs);
}
