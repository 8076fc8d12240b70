// The words of the page in the language of this device: the one chosen here, else the
// first of the browser's that there is. The catalogues are words/*.js; English is the one
// that the others are held to, by the type checker.

import { words as english } from "./words/en.js";

/** @typedef {typeof english} Words */

/** @type {Record<string, string>} the languages, each by its own name */
export const languages = { en: "English", de: "Deutsch", fr: "Français", es: "Español", it: "Italiano", ja: "日本語", zh: "简体中文" };

/** The language of this page. */
export const language = (() => {
  let chosen = null;
  try { chosen = localStorage.getItem("language"); } catch { /* not remembered: the browser's */ }
  const wanted = [chosen, ...navigator.languages].map((l) => String(l ?? "").toLowerCase().split("-")[0]);
  return wanted.find((l) => Object.hasOwn(languages, l)) ?? "en";
})();

document.documentElement.lang = language === "zh" ? "zh-Hans" : language;

/** @type {Words} */
export const words = language === "en" ? english : (await import(`./words/${language}.js`)).words;
